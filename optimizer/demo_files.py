"""The demo logbook that travels with the package."""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path

from optimizer.errors import CallError, ShimoptError

FILES = ("car.toml", "runs.csv", "readings.csv")


def demo_folder() -> Path:
    """Where the demo lies: inside an installed package, or in a checkout's ``data``."""
    inside = Path(str(resources.files("optimizer"))) / "demo"
    beside = Path(__file__).resolve().parents[1] / "data" / "demo"
    return inside if inside.is_dir() else beside


def copy_demo(folder: Path) -> tuple[Path, ...]:
    """Copy the demo logbook into a new folder.

    Raises
    ------
    CallError
        If the folder already exists.
    ShimoptError
        If it cannot be written.
    """
    try:
        folder.mkdir(parents=True)
    except FileExistsError:
        raise CallError(
            f"{folder} already exists; nothing was changed",
            f"look at it with: shimopt next {folder}, or name another folder",
        ) from None
    except OSError as error:
        raise ShimoptError(
            f"{folder} cannot be made: {error.strerror or error}", "name another folder"
        ) from error
    return tuple(Path(shutil.copyfile(demo_folder() / f, folder / f)) for f in FILES)

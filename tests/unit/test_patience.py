"""A person who waits hears why; a script hears nothing."""

from __future__ import annotations

import sys
import time

import pytest

from optimizer.terminal import patience


@pytest.mark.parametrize(
    ("seen_by", "after_s", "work_s", "said"),
    [
        ((True, True), 0.01, 0.5, "wait\n"),
        ((True, True), 5.0, 0.0, ""),  # done before
        ((False, True), 0.0, 0.2, ""),  # into a pipe
        ((True, False), 0.0, 0.2, ""),  # errors into a file
    ],
)
def test_a_word_to_whom_it_takes_long(
    seen_by: tuple[bool, bool],
    after_s: float,
    work_s: float,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for stream, here in zip((sys.stdout, sys.stderr), seen_by, strict=True):
        monkeypatch.setattr(stream, "isatty", lambda here=here: here, raising=False)
    with patience("wait", after_s):
        time.sleep(work_s)
    time.sleep(0.05)
    assert capsys.readouterr() == ("", said)


def test_what_goes_wrong_meanwhile_is_not_followed_by_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for stream in (sys.stdout, sys.stderr):
        monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)
    with pytest.raises(ValueError, match="no"), patience("wait", 0.2):
        raise ValueError("no")
    time.sleep(0.4)
    assert capsys.readouterr() == ("", "")

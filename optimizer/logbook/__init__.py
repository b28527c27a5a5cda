"""The logbook: one folder of plain files, and the only door to it.

Everything that reads a crew's files, makes them or adds to them, goes through here.
Reading never changes a file. `faults` lists what can be wrong; `toml_doc`, `table`, `car`
and `corner` read car.toml, `cells`, `rows`, `runs` and `readings` the two tables,
`values` what stands in them; `read` puts them together; `paste` reads a pasted table;
`offers` reads what shims cost; `new` and `template` make a new folder; `wide` and
`workbook` read a table that is imported and `take` plans what it adds; `append` adds rows,
`marks` gives them the file's decimal mark, `journal` notes them, `undo` takes them back,
`torn` tells what was cut off, `edited` refuses, `disk` writes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.logbook.faults import FAULT_CODES, FILES
    from optimizer.logbook.goal import parse_goal
    from optimizer.logbook.new import (
        NewAnswers,
        check_folder,
        check_names,
        check_span,
        gauge_kind,
        rising_from_turn,
        start_logbook,
    )
    from optimizer.logbook.offers import offers_template, read_offers
    from optimizer.logbook.paste import parse_table
    from optimizer.logbook.read import read_logbook
    from optimizer.logbook.take import ImportPlan, plan_import, write_import
    from optimizer.logbook.values import parse_length, parse_stack, parse_units, write_stack

__all__ = [
    "FAULT_CODES",
    "FILES",
    "ImportPlan",
    "NewAnswers",
    "check_folder",
    "check_names",
    "check_span",
    "gauge_kind",
    "offers_template",
    "parse_goal",
    "parse_length",
    "parse_stack",
    "parse_table",
    "parse_units",
    "plan_import",
    "read_logbook",
    "read_offers",
    "rising_from_turn",
    "start_logbook",
    "write_import",
    "write_stack",
]

_LATE = {
    "FAULT_CODES": "faults",
    "FILES": "faults",
    "NewAnswers": "new",
    "check_folder": "new",
    "check_names": "new",
    "check_span": "new",
    "gauge_kind": "new",
    "rising_from_turn": "new",
    "start_logbook": "new",
    "offers_template": "offers",
    "read_offers": "offers",
    "parse_table": "paste",
    "parse_goal": "goal",
    "read_logbook": "read",
    "parse_length": "values",
    "parse_stack": "values",
    "parse_units": "values",
    "write_stack": "values",
    "ImportPlan": "take",
    "plan_import": "take",
    "write_import": "take",
}


def __getattr__(name: str) -> Any:
    if name not in _LATE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_LATE[name]}"), name)

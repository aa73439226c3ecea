"""docs/reference/settings.md from the tables of this package; a test fails when it is stale.

    python -m esterward.settings.reference > docs/reference/settings.md
"""

from __future__ import annotations

from typing import Any, Final, get_args

from pydantic import BaseModel

from esterward.settings.build import BATCH_FIELDS, BATCH_NEEDS, REACTOR_FIELDS, REACTOR_NEEDS
from esterward.settings.fields import Number, Text, Whole, Word
from esterward.settings.keys import BatchFile, ReactorFile
from esterward.settings.quantity import units_words
from esterward.settings.units import SHARE
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

HEAD: Final = """# Every key of reactor.toml and batch.toml

Generated from `firmware/esterward/settings/` by `python -m esterward.settings.reference`; do not
edit. The reason for each key stands beside it in `firmware/config/reactor.toml` and
`firmware/config/batch.toml`.

A number is text of one number and one unit of its list: `"55.5 L"`. The decimal mark is a point;
a bare number, a comma, another unit, an unknown key or table is an error, told with what to write
instead, all of them at once. A point before exactly three digits is refused where it may be meant
for thousands: an altitude in m or ft (`"1.120 m"`), a dipstick or lagging in mm, water in mg/kg or
ppm, a volume of oil in mL. Limits are computed (`esterward ceiling`); a file can only tighten them.
"""
# What holds when the key is left out and the plain value does not say it.
LEFT_OUT: Final = {
    "site.altitude": "no stage with methanol",
    "rig.fitted": "none",
    "probes.b": 'needed at level "small" and "full"',
    "vessel.lagging": "`loss` is used",
    "measured.heat_capacity": "that of the oil",
    "measured.oil": "needed with `heat_capacity`",
    "measured.loss": "`[vessel] loss` or lagging",
    "limits.setpoint": "none",
    "mqtt.host": "no broker",
    "pins": "the table of `esterward wiring`",
    "oil.lots": "one lot",
    "titration.readings": "heated, but not dosed",
    "titration.titrant_kind": "that of `[catalyst] kind`",
    "titration.sample_mass": "`sample` is used",
    "catalyst.base": "7 g/L KOH, 5 g/L NaOH",
    "catalyst.base_as": '"pure"',
    "methanol.share": "needed, or `ratio`",
    "methanol.ratio": "`share` is used",
    "heat.setpoint": "55 degC, or just below the highest allowed",
    "methoxide.first_share": "one stage",
    "wash.rounds": "10 % mist, then 30 % stir three times",
}


def page() -> str:
    """The whole document."""
    return "\n".join([
        HEAD,
        *_file("reactor.toml", ReactorFile, REACTOR_NEEDS, REACTOR_FIELDS, Reactor()), "",
        *_file("batch.toml", BatchFile, BATCH_NEEDS, BATCH_FIELDS, Batch())]) + "\n"


def _file(name: str, model: type[BaseModel], needs: dict[str, str], fields: dict[str, str],
          default: Reactor | Batch) -> list[str]:
    lines = [f"## {name}", "", "| key | allowed | units | left out |", "|---|---|---|---|"]
    for key, field in model.model_fields.items():
        if isinstance(field.default, BaseModel):
            for inner, its in type(field.default).model_fields.items():
                lines.append(_row(f"{key}.{inner}", its, needs, fields, default))
        else:
            lines.append(_row(key, field, needs, fields, default))
    return lines


def _row(key: str, field: Any, needs: dict[str, str], fields: dict[str, str],
         default: Reactor | Batch) -> str:
    table, dot, name = key.partition(".")
    allowed, units = _allowed(field)
    value = getattr(default, fields[key])
    left_out = "**needed**" if key in needs else LEFT_OUT.get(key) or _plain(value, field)
    shown = f"[{table}] {name}" if dot else key
    return f"| `{shown}` | {allowed} | {units} | {left_out} |"


def _allowed(field: Any) -> tuple[str, str]:
    """What may stand there, and the units of a number, in words."""
    for rule in field.metadata:
        if isinstance(rule, Number):
            return rule.allowed, units_words(rule.kind)
        if isinstance(rule, (Word, Text, Whole)):
            return rule.allowed, ""
    if bool in get_args(field.annotation):
        return "true or false", ""
    return _many(field.annotation)


def _many(annotation: Any) -> tuple[str, str]:
    """A list of values, a list of tables, or the lines of [pins]."""
    (kind,) = [one for one in (get_args(annotation) or (annotation,)) if one is not type(None)][-1:]
    item = (get_args(kind) or (kind,))[-1]
    if isinstance(item, type) and issubclass(item, BaseModel):
        inner = [(name, *_allowed(its)) for name, its in item.model_fields.items()]
        return ("list of { " + ", ".join(f"{name}: {allowed}" for name, allowed, _ in inner) + " }",
                "; ".join(f"{name}: {units}" for name, _, units in inner if units))
    rule = get_args(item)[-1] if get_args(item) else kind.__metadata__[-1]
    units = units_words(rule.kind) if isinstance(rule, Number) else ""
    each = "one line a name, each " if isinstance(rule, Whole) else "list, each "
    return each + rule.allowed, units


def _plain(value: Any, field: Any) -> str:
    if value is None or value == ():
        return "not given"
    if isinstance(value, bool):
        return "true" if value else "false"
    for rule in field.metadata:
        if isinstance(rule, Number):
            if rule.kind is SHARE:
                return f"{value * 100:g} %"
            return f"{value:.6g} {rule.kind.core_word}"
    return str(value) if isinstance(value, int) else f'"{value}"'


if __name__ == "__main__":
    print(page(), end="")

"""docs/reference/settings.md is what the tables of keys say today."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from esterward.settings.keys import BatchFile, ReactorFile
from esterward.settings.reference import LEFT_OUT, page

DOCUMENT = Path(__file__).parents[2] / "docs" / "reference" / "settings.md"


def test_the_document_is_not_stale() -> None:
    assert DOCUMENT.read_text(encoding="utf-8") == page(), (
        "run: python -m esterward.settings.reference > docs/reference/settings.md")


def test_every_key_has_a_row_and_no_cell_is_an_object() -> None:
    text, keys = page(), set()
    for model in (ReactorFile, BatchFile):
        for name, field in model.model_fields.items():
            if isinstance(field.default, BaseModel):
                keys |= {f"{name}.{key}" for key in type(field.default).model_fields}
            else:
                keys.add(name)
    for key in keys:
        table, dot, name = key.partition(".")
        assert f"| `{f'[{table}] {name}' if dot else key}` |" in text
    assert set(LEFT_OUT) <= keys
    assert not any(part in text for part in ("None", "<", "Annotated", "()"))
    assert all(line.count("|") == 5 for line in text.splitlines() if line.startswith("|"))

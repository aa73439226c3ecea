"""Write everything in this folder that is generated: pins.md, parts.md, chain.svg.

Run: .venv/bin/python wiring/make.py    A test fails when one of them is stale.
"""

from __future__ import annotations

import runpy
from pathlib import Path

from esterward.cli.wiring import defaults, parts_markdown, pins_markdown
from esterward.hardware.parts import PARTS

HERE = Path(__file__).parent


def texts() -> dict[str, str]:
    """File name -> what it must hold."""
    draw = runpy.run_path(str(HERE / "chain.py"))["draw"]
    return {"pins.md": pins_markdown(defaults("full"), "the defaults"),
            "parts.md": parts_markdown(PARTS),
            "chain.svg": draw().decode("utf-8")}


if __name__ == "__main__":
    for name, text in texts().items():
        (HERE / name).write_text(text, encoding="utf-8")

"""Files and typed text to plain values: the only place that knows units and Pint.

Nothing is imported here: a command takes what it needs, so that `esterward --help` loads none
of it. quantity.py is the grammar, typed.py reads a line somebody types, files.py the two files.
"""

from __future__ import annotations

from typing import Any


def __getattr__(name: str) -> Any:
    """observation, load_reactor and the rest, loaded when first asked for."""
    from importlib import import_module

    homes = {"observation": "typed", "load_reactor": "files", "load_batch": "files",
             "load_pair": "files", "SettingsError": "mistakes"}
    if name not in homes:
        raise AttributeError(f"esterward.settings has no {name}")
    return getattr(import_module(f"esterward.settings.{homes[name]}"), name)

"""Setting files written for a test, and the mistakes told of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from esterward.settings import files
from esterward.settings.mistakes import SettingsError
from esterward.values.reactor import Reactor

REACTOR = """
[site]
altitude = "1120 m"
[vessel]
volume = "200 L"
[element]
power = "3 kW"
[rig]
level = "small"
[probes]
a = "28-0316a2794ff1"
b = "28-0316a279c2d4"
"""


def written(folder: Path, name: str, text: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def mistakes_of(folder: Path, text: str | bytes, kind: str = "batch",
                reactor: Reactor | None = None) -> list[str]:
    """The sentences, without the folder; each is checked to be one printable line."""
    path = written(folder, f"{kind}.toml", text)
    with pytest.raises(SettingsError) as caught:
        if kind == "batch":
            files.load_batch(path, reactor)
        else:
            files.load_reactor(path)
    for sentence in caught.value.mistakes:
        assert sentence.isprintable() and sentence.startswith(str(path))
    return [s.replace(f"{folder}/", "") for s in caught.value.mistakes]

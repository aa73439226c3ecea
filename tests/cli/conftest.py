"""The commands as a person runs them, in this process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from esterward import cli


@dataclass(frozen=True)
class Ran:
    """What one command left: its exit code, stdout and stderr."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
        ) -> Callable[..., Ran]:
    """run("ceiling", "--altitude", "1120 m"): through main(), exit code and all."""

    def run(*args: str) -> Ran:
        monkeypatch.setattr("sys.argv", ["esterward", *args])
        with pytest.raises(SystemExit) as caught:
            cli.main()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return Ran(int(caught.value.code or 0), out, err)

    return run

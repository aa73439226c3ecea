"""One fault-free batch, rehearsed once for all tests of this folder."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from esterward.record.journal import Journal
from esterward.settings.files import load_pair
from esterward.values.batch import Batch, Wash
from esterward.values.reactor import Reactor
from esterward_sim.rehearsal import Rehearsal, Result
from esterward_sim.virtual import NoRecord
from steps import content

TOP = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def example() -> tuple[Batch, Reactor]:
    batch, reactor = load_pair(TOP / "sim/scenarios/demo/batch.toml",
                               TOP / "sim/scenarios/demo/reactor.toml")
    assert reactor is not None
    return batch, reactor


@pytest.fixture(scope="session")
def short(example: tuple[Batch, Reactor]) -> tuple[Batch, Reactor]:
    """The same with short waits, for tests that run many batches."""
    batch, reactor = example
    return replace(batch, settle_h=0.5, wash_stand_min=20.0, dry_min=60.0,
                   washes=batch.washes[:2]), reactor


@pytest.fixture(scope="session")
def quick(example: tuple[Batch, Reactor]) -> tuple[Batch, Reactor]:
    """Less than six hours from warm oil to label: as short as a complete batch gets."""
    batch, reactor = example
    return replace(batch, oil_volume_l=90.0, oil_start_c=50.0, dissolve_min=5.0, pour_min=10.0,
                   settle_h=0.1, washes=(Wash(0.5, True),), wash_stir_min=5.0,
                   wash_stand_min=10.0, dry_min=30.0), reactor


@pytest.fixture(scope="session")
def untroubled(quick: tuple[Batch, Reactor]) -> Result:
    """The short batch alone, with no record and no network."""
    batch, reactor = quick
    return content(Rehearsal(reactor, batch, NoRecord())).run()


@pytest.fixture(scope="session")
def sooner(example: tuple[Batch, Reactor]) -> tuple[Batch, Reactor]:
    """The demo's batch with shorter waits from the dose on, but both drains and every repetition:
    its whole night is in sim/test_rehearse_command.py."""
    batch, reactor = example
    return replace(batch, settle_h=3.7, wash_stir_min=5.0, wash_stand_min=10.0,
                   washes=(Wash(0.1, False), Wash(0.5, True)), dry_min=60.0), reactor


@pytest.fixture(scope="session")
def recorded(sooner: tuple[Batch, Reactor],
             tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """The demo's batch with its record on disk."""
    batch, reactor = sooner
    path = tmp_path_factory.mktemp("record") / "batch.sqlite"
    journal = Journal(path, boot="rehearsal-1", now_s=0.0)
    rehearsal = Rehearsal(reactor, batch, journal)
    result = rehearsal.run()
    journal.close(rehearsal.rig.clock.now_s())
    return path, result

"""Fifteen seeded defects: each is put into a copy of the tree and a named test must catch it.

    .venv/bin/python tests/tools/canaries.py                # all of them
    .venv/bin/python tests/tools/canaries.py --only guard   # those with this in their name
    .venv/bin/python tests/tools/canaries.py --list

The named test must pass on the untouched copy and fail on the copy with the defect. Exit code 1
when a defect goes unseen, or when its place in the source is not there any more: then write the
patch anew, never drop it. The working tree itself is not touched.

A defect that another layer covers wholly cannot stand here: the float has two rows, not-a-number
is refused by the range and again by the step, and so on. The trials show those.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).parents[2]
COPIED = ("firmware", "sim", "tests", "wiring", "docs", "pyproject.toml")


@dataclass(frozen=True)
class Canary:
    """One defect: what it would do, where, the text before and after, the test that sees it."""

    name: str
    means: str
    file: str
    old: str
    new: str
    test: str


MATRIX = "tests/safety/test_cause_and_effect.py::" \
    "test_the_tick_does_what_the_hand_kept_table_says"
SPACE = "tests/process/test_sequence_closed.py::"
GUARD = "tests/guard/test_rule.py::"

CANARIES: tuple[Canary, ...] = (
    Canary("drain-never", "an open drain takes heat away but is no fault any more",
           "safety/interlocks.py",
           'Interlock("drain", "drain_ok", (HEAT, MIXER), "hold", True, "energised"),',
           'Interlock("drain", "drain_ok", (HEAT, MIXER), "hold", True, "never"),',
           MATRIX + "[drain open-heating]"),
    Canary("e-stop-believed", "the e-stop input is taken as closed when it is not",
           "safety/facts.py", "facts.estop_closed, facts.cutout_closed = inputs.estop_closed,",
           "facts.estop_closed, facts.cutout_closed = True,", MATRIX + "[e-stop open-heating]"),
    Canary("stale-serves", "a reading may be a minute old",
           "safety/plausibility.py",
           "and 0.0 <= now_s - judge.good_at_s + 0.1 <= limits.PROBE_AGE_OFF_S + 0.1)",
           "and 0.0 <= now_s - judge.good_at_s + 0.1 <= 60.0)",
           MATRIX + "[probe A gone for long-heating]"),
    Canary("gate-open", "the gate grants heat whatever the table takes away",
           "safety/gate.py", "return Grant(HEAT in granted,", "return Grant(heat,",
           MATRIX + "[probes 3 K apart-heating]"),
    Canary("reset-all-at-once", "one reset at the reactor drops every latch",
           "safety/gate.py", "        state.latches.remove(code)\n",
           "        state.latches.clear()\n",
           "tests/tick/test_batch_flow.py::"
           "test_latches_are_reset_one_at_a_time_first_out_first"),
    Canary("dose-without-flag", "the dosing gate no longer waits for the stored flag",
           "process/stages.py", '"& flag_stored", "dose.pour"', '"& below_limit", "dose.pour"',
           SPACE + "test_methoxide_goes_in_only_through_the_whole_gate"),
    Canary("pause-for-ever", "a pause whose contactors do not open never ends",
           "process/sequence.py",
           '("hold_wanted", "holding"), ("off_proven", "paused"),\n'
           '                ("off_overdue", "aborting")),',
           '("hold_wanted", "holding"), ("off_proven", "paused")),',
           SPACE + "test_every_state_on_the_way_ends_by_the_clock_alone"),
    Canary("hold-goes-on", "a hold ends by itself when all is good again",
           "process/sequence.py", '("release", "restarting")),', '("restart_ready", "running")),',
           SPACE + "test_a_batch_starts_and_goes_on_only_by_a_press_at_the_reactor"),
    Canary("flag-starts-clear", "an unknown methanol flag counts as clear",
           "safety/flag.py", "    set: bool = True\n", "    set: bool = False\n",
           "tests/safety/test_flag.py::test_unknown_means_set_and_nothing_is_on_its_way"),
    Canary("guard-patient", "the guard waits ten times longer for a silent controller",
           "guard/rule.py", "SILENCE_S: Final = 2.0 ", "SILENCE_S: Final = 20.0 ",
           GUARD + "test_a_message_of_two_seconds_is_heard_and_an_older_one_is_silence"),
    Canary("guard-trusts-k1", "the guard no longer minds K1 closed against command",
           "guard/rule.py", "if state.k1_against_s > READBACK_S:", "if False:",
           GUARD + "test_k1_closed_against_command_is_named_after_its_read_back_time"),
    Canary("guard-told-clear", "the guard clears its flag on the controller's word alone",
           "guard/rule.py", "if state.flag and open_window:", "if state.flag:",
           "tests/guard/test_rule_file.py::"
           "test_only_both_buttons_and_the_controllers_word_together_clear_the_flag"),
    Canary("trip-at-boiling", "the trip limit stands at the boiling point",
           "chemistry/boiling.py", "TRIP_MARGIN_K = 3.0\nGUARD", "TRIP_MARGIN_K = 0.0\nGUARD",
           "tests/chemistry/test_boiling.py::"
           "test_the_limits_stand_in_order_below_the_boiling_point"),
    Canary("settle-while-mixing", "settled time goes on while the mixer runs",
           "process/timers.py", "        if mixer_rests and element_rests:\n",
           "        if element_rests:\n",
           "tests/process/test_timers.py::"
           "test_settled_time_counts_in_every_state_and_mixing_ends_it"),
    Canary("lease-for-ever", "the relays keep their level when nobody renews it",
           "hardware/relays.py", "0.0 <= clock() - self._renewed_s <= self._lease_s",
           "0.0 <= clock() - self._renewed_s",
           "tests/hardware/test_relays.py::"
           "test_the_lease_lapses_just_after_its_time_and_not_before"),
)


def run_test(tree: Path, test: str) -> tuple[bool, str]:
    """Whether the test passed in this tree, and the end of what it said."""
    env = dict(os.environ, PYTHONPATH=f"{tree / 'firmware'}{os.pathsep}{tree / 'sim'}",
               PYTHONDONTWRITEBYTECODE="1")
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", test],
        cwd=tree, env=env, capture_output=True, text=True, timeout=900, check=False)
    if ran.returncode not in (0, 1):
        raise SystemExit(f"{test}: pytest could not run it:\n{ran.stdout[-1500:]}{ran.stderr}")
    return ran.returncode == 0, ran.stdout[-400:]


def copy_tree(to: Path) -> Path:
    """A copy of what the tests need."""
    for name in COPIED:
        source = TOP / name
        if source.is_dir():
            shutil.copytree(source, to / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, to / name)
    return to


def attempt(tree: Path, canary: Canary) -> str:
    """Empty when the defect was caught, else what went wrong."""
    path = tree / "firmware" / "esterward" / canary.file
    text = path.read_text(encoding="utf-8")
    if text.count(canary.old) != 1:
        return f"its place is {text.count(canary.old)} times in {canary.file}, not once"
    good, said = run_test(tree, canary.test)
    if not good:
        return f"the test fails without the defect already:\n{said}"
    path.write_text(text.replace(canary.old, canary.new), encoding="utf-8")
    try:
        passed, _ = run_test(tree, canary.test)
    finally:
        path.write_text(text, encoding="utf-8")
    return "NOT SEEN" if passed else ""


def main() -> int:
    parser = argparse.ArgumentParser(description="Seeded defects, each caught by a named test.")
    parser.add_argument("--only", default="", help="those with this in their name")
    parser.add_argument("--list", action="store_true", help="show them and leave")
    options = parser.parse_args()
    chosen = [canary for canary in CANARIES if options.only in canary.name]
    if not chosen:
        print(f"--only {options.only}: no defect has this in its name; see --list.",
              file=sys.stderr)
        return 2
    if options.list:
        for canary in chosen:
            print(f"{canary.name:20} {canary.means}\n{'':20} {canary.test}")
        return 0
    missed = 0
    with tempfile.TemporaryDirectory(prefix="canaries-") as folder:
        tree = copy_tree(Path(folder))
        for canary in chosen:
            began_s = time.perf_counter()
            wrong = attempt(tree, canary)
            missed += bool(wrong)
            print(f"{'caught' if not wrong else 'MISSED':7} {canary.name:20} "
                  f"{time.perf_counter() - began_s:6.1f} s  {wrong or canary.means}", flush=True)
    print(f"{len(chosen) - missed} of {len(chosen)} caught.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())

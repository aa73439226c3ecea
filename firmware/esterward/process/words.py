"""The words that fill the questions: numbers of the batch sheet as a person reads them."""

from __future__ import annotations

from typing import Final

from esterward.chemistry.charge import SecondDose, second_dose
from esterward.chemistry.figures import melting_h
from esterward.chemistry.sheet import Sheet
from esterward.process.control import Process
from esterward.process.observations import METHOXIDE, UNREACTED, last_told
from esterward.process.sequence import FINAL_STATES
from esterward.process.state import HAND_PUMP_S, ProcessState
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor

PROBES_UNCHECKED: Final = (
    "No methoxide yet: the two-point check of the probes is not on record. Compare both in ice "
    "water and in a warm bath, write checked = true under [probes] in the reactor file, and start "
    "guard and controller again; the batch waits.")
UNREACTED_DEFAULT_ML = 0.3  # a trace at the bottom of the check; told values replace it


def number(value: float | None, digits: int = 1) -> str:
    """A number for a sentence; unknown is said."""
    return "?" if value is None else f"{value:.{digits}f}"


def sheet_waits(sheet: Sheet, probes_checked: bool) -> str:
    """What stands between the batch sheet and the methoxide, "" when nothing does."""
    said = []
    if not sheet.complete:
        said.append("Batch sheet not complete: " + " ".join(sheet.why_not_complete))
    if not probes_checked:
        said.append(PROBES_UNCHECKED)
    return " ".join(said)


def _melt_hours(reactor: Reactor, batch: Batch) -> str:
    """How long set fat takes, in words."""
    soft, hard = melting_h(batch, reactor)
    if soft is None:
        return ("in a room this cold that hardly ever does: lag the vessel, warm the room, or melt "
                "the fat in its drum before")
    if hard is None:
        return f"about {soft:.0f} h for a soft fat, a hard one (tallow) hardly ever in this room"
    return f"about {soft:.0f} h for a soft fat, {hard:.0f} h for a hard one (tallow)"


def _second(state: ProcessState, sheet: Sheet) -> SecondDose | None:
    """The further dose that the conversion check asks for, None while the sheet has no first."""
    if sheet.catalyst is None or sheet.methanol is None:
        return None
    told_ml = last_told(state.observed, UNREACTED)
    return second_dose(told_ml if told_ml is not None else UNREACTED_DEFAULT_ML,
                       sheet.oil_l, sheet.catalyst, sheet.methanol)


def broken_off(process: Process, sheet: Sheet) -> str:
    """How much of this dose may be in, when its pour was broken off; "" when it was not.

    The valve is in a person's hand and nothing measures the flow, least of all in the dark: at
    least what the counted time brings if it ran evenly, at most all.
    """
    state, planned_s = process.state, process.batch.pour_min * 60.0
    stopped = state.step == "dose.pour" and state.state != "running"
    poured_s = state.poured_s + (state.timers.step_s if stopped else 0.0)
    if not (stopped or poured_s):
        return ""
    second = _second(state, sheet) if state.second_doses else None
    if second is not None:
        dose_l: float | None = second.methanol_l
    elif sheet.stages:
        dose_l = sheet.stages[1 if state.second_share else 0].methanol_l
    else:
        dose_l = sheet.methanol.volume_l if sheet.methanol else None
    planned = number(planned_s / 60.0, 0)
    if dose_l is None or not 0.0 <= poured_s < planned_s:
        said = f"all of its {planned} min were counted, so all {number(dose_l)} L may be in. "
    else:
        said = (f"{int(poured_s / 60.0)} of its {planned} min were counted, so between "
                f"{number(dose_l * poured_s / planned_s)} L (if it ran evenly) and all "
                f"{number(dose_l)} L may be in. ")
    more = "Only what is left in its can is still to go in; mix no new one. "
    return f"The pour was broken off: {said}{'' if state.state in FINAL_STATES else more}"


def words(process: Process, batch: Batch, sheet: Sheet, waits: tuple[str, ...]) -> dict[str, str]:
    """Every word in braces that prompts.PROMPTS uses."""
    state = process.state
    readings = batch.titration_readings_ml
    second, layer_ml = _second(state, sheet), last_told(state.observed, UNREACTED)
    wash = process.wash()
    # Of the fuel, as on the sheet: there is more of it than there was oil.
    wash_l = sheet.wash_water_l[process.wash_index()] if sheet.wash_water_l else None
    base, spirit = sheet.catalyst, sheet.methanol
    first_g, first_l = (base.mass_g if base else None), (spirit.volume_l if spirit else None)
    share_g = share_l = None
    shares = ""
    if sheet.stages:
        first, last = sheet.stages
        first_g, first_l, share_g, share_l = (first.mass_g, first.methanol_l, last.mass_g,
                                              last.methanol_l)
        shares = (f"In two stages: first {number(first_g, 0)} g in {number(first_l)} L, after a "
                  f"drain {number(share_g, 0)} g in {number(share_l)} L. ")
    evidence = ", ".join(state.evidence) or "no evidence noted"
    if state.state != "idle" and not state.methanol_in and not state.evidence:
        evidence = "none was added in this batch"
    return {
        "melt_h": _melt_hours(process.reactor, batch) if batch.oil_set else "?",
        "oil_l": number(sheet.oil_l, 0),
        "hand_s": number(HAND_PUMP_S, 0),
        "readings": "Titration " + ", ".join(f"{ml:.1f}" for ml in readings) + " mL",
        "mass_g": number(sheet.catalyst.mass_g if sheet.catalyst else None, 0),
        "kind": batch.catalyst_kind,
        "purity": f"{batch.catalyst_purity * 100:.0f}",
        "methanol_l": number(sheet.methanol.volume_l if sheet.methanol else None, 1),
        "dose_g": number(first_g, 0),
        "dose_l": number(first_l, 1),
        "share_g": number(share_g, 0),
        "share_l": number(share_l, 1),
        "shares": shares,
        "sheet_waits": sheet_waits(sheet, process.reactor.probes_checked),
        "methoxide_c": number(last_told(state.observed, METHOXIDE), 0),
        "second_g": number(second.mass_g if second else None, 0),
        "second_l": number(second.methanol_l if second else None, 1),
        "second_for": (f"a layer of {number(layer_ml)} mL" if layer_ml is not None else
                       f"a trace ({UNREACTED_DEFAULT_ML} mL), as no layer was told"),
        "second_why": second.words if second else "",
        "dose_waits": ", ".join(waits) or "nothing",
        "broken_off": broken_off(process, sheet),
        "pour_pace": (f"as slowly as before (all of it: {number(batch.pour_min, 0)} min)"
                      if state.poured_s else f"over {number(batch.pour_min, 0)} min"),
        "glycerol": f"{number(sheet.glycerol_low_l, 0)} to {number(sheet.glycerol_high_l, 0)}",
        "wash_number": str(state.washes_done + 1),
        "wash_l": number(wash_l, 0),
        "part_in": (f"It was broken off: up to all {number(wash_l, 0)} L may be in already, add "
                    "only what is missing. " if state.interrupted else ""),
        "stood": f"{state.doubt[0].upper()}{state.doubt[1:]}. " if state.doubt else "",
        "part_dissolved": ("It was broken off: look at the container and weigh what is left to go "
                           "in. If you cannot tell what is in it, do not use it. "
                           if state.interrupted else ""),
        "wash_how": "gentle stirred wash" if wash.stirred else "mist",
        "evidence": evidence,
        "warnings": "".join(f"MIND: {warning} " for warning in sheet.warnings),
        "second_doses": str(state.second_doses),
        "ph_why": "" if state.evidence else "Not clear, but two of clear water, pH and soap "
                  "titration are enough. ",
        "not_fuel": "This batch FAILED its conversion check: do not use it as fuel, label it so. "
                    if state.unconverted else "",
    }

"""Home checks of the finished fuel: the page that explains them, and readings to a result.

The sums, and what each can and cannot prove, are chemistry.fuel's; here stands how readings
are typed, as "NAME: READING; READING", and how the answer is laid out.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from esterward.chemistry import charge, fuel
from esterward.chemistry.sheet import Sheet
from esterward.chemistry.wording import Wording
from esterward.cli.errors import Refused
from esterward.cli.sheet_rows import CAUSTIC, POISON, Row, Section
from esterward.cli.show import grams
from esterward.settings.mistakes import SettingsError, nearest, shown
from esterward.settings.typed import typed
from esterward.settings.units import MASS, MOLARITY, SMALL_VOLUME, STRENGTH, Kind
from esterward.values.batch import CATALYSTS

WARMED = ("Vapour of hot fuel burns, and so does alcohol: warm only washed fuel, outdoors, on a "
          "plate without flame or glow, and let it cool under a lid before you weigh it.")
SOLVENT = ("Alcohol for titrating burns and its vapour harms: outdoors or strong extraction, no "
           "flame, goggles and gloves; dispose of what is left under local rules.")
COPIES = "From circulated copies of both: buy the standard before you quote it."
SECOND_NEEDS: Final = "needs the batch file with its titration: esterward sheet BATCH --check ..."


@dataclass(frozen=True, slots=True)
class Reading:
    """What is typed for one reading: kind None for "base KOH" or "base NaOH"."""

    what: str
    kind: Kind | None = None
    lowest: float = 0.0
    highest: float = 0.0
    needed: bool = True


@dataclass(frozen=True, slots=True)
class Check:
    """One home check: what is done, an example of what is typed, its readings."""

    done: str
    example: str
    readings: dict[str, Reading]


LAYER = replace(SMALL_VOLUME, example="0.2 mL")
SAMPLE = replace(MASS, example="20 g")
SCALE = replace(MASS, example="0.01 g")
# Procedures: common practice, no source; the sums have theirs in chemistry.fuel.
CHECKS: Final[dict[str, Check]] = {
    "conversion": Check(
        f"shake {charge.CHECK_FUEL_ML:g} mL of fuel in {charge.CHECK_METHANOL_ML:g} mL of methanol "
        f"at {{at}} or warmer, wait {charge.CHECK_WAIT_MIN:g} min, and longer while it is cloudy; "
        "read the layer at the bottom",
        "layer 0.2 mL",
        {"layer": Reading("what lies at the bottom", LAYER, 0.0, charge.CHECK_FUEL_ML)}),
    "soap": Check(
        "dissolve weighed fuel in alcohol, add bromophenol blue, drip in acid until blue turns "
        "yellow",
        "acid 0.35 mL; strength 0.01 mol/L; sample 100 g; base KOH",
        {"acid": Reading("acid that went in", SMALL_VOLUME, 0.0, 50.0),
         "strength": Reading("of the acid", MOLARITY, 0.001, 1.0),
         "sample": Reading("fuel", SAMPLE, 1.0, 500.0),
         "base": Reading("the catalyst of the batch")}),
    "acid value": Check(
        "dissolve weighed, washed, dry fuel in alcohol, add phenolphthalein, drip in the titrant "
        "until pink stays",
        "titrant 2.0 mL; strength 1 g/L; sample 20 g; base KOH",
        {"titrant": Reading("titrant that went in", SMALL_VOLUME, 0.0, 50.0),
         "strength": Reading("pure base in the titrant", STRENGTH, 0.1, 20.0),
         "sample": Reading("fuel", SAMPLE, 0.5, 500.0),
         "blank": Reading("what the alcohol alone took", SMALL_VOLUME, 0.0, 50.0, needed=False),
         "base": Reading("the base in the titrant")}),
    "water": Check(
        "weigh fuel, warm it to {hot} until its weight stays, weigh again",
        "before 500.00 g; after 499.96 g; scale 0.01 g",
        {"before": Reading("fuel before", MASS, 1.0, 5000.0),
         "after": Reading("fuel after", MASS, 0.0, 5000.0),
         "scale": Reading("smallest step of the scale", SCALE, 0.001, 100.0)}),
}
Told = dict[str, float | str]


@dataclass(frozen=True, slots=True)
class Checked:
    """One check with its readings in core units, what it found, and the second dose if any."""

    name: str
    typed: str
    told: Told
    found: fuel.Finding
    second: charge.SecondDose | None


def checked(text: str, say: Wording, sheet: Sheet | None) -> Checked:
    """The result of one --check; SettingsError with every mistake in it."""
    name, told = _parse(text, sheet)
    numbers = {key: value for key, value in told.items() if isinstance(value, float)}
    base = str(told.get("base", ""))
    try:
        found = _found(name, numbers, base, say)
    except ValueError as error:
        raise SettingsError([f"--check {shown(text)}: {error}; weigh or read again."]) from None
    second = None
    if name == "conversion" and not found.good and sheet is not None and (
        sheet.catalyst is not None and sheet.methanol is not None
    ):
        second = charge.second_dose(numbers["layer"], sheet.oil_l, sheet.catalyst, sheet.methanol)
    return Checked(name, text, told, found, second)


def _found(name: str, told: dict[str, float], base: str, say: Wording) -> fuel.Finding:
    if name == "conversion":
        return fuel.conversion_check(told["layer"], say)
    if name == "soap":
        return fuel.soap_check(told["acid"], told["strength"], told["sample"], base)
    if name == "acid value":
        return fuel.acid_value_check(told["titrant"], told["strength"], told["sample"], base,
                                     told.get("blank", 0.0))
    return fuel.water_check(told["before"], told["after"], told["scale"])


def _parse(text: str, sheet: Sheet | None) -> tuple[str, Told]:
    head, _, rest = text.partition(":")
    name = " ".join(head.lower().split())
    if name not in CHECKS:
        meant = nearest(name, tuple(CHECKS))
        hint = f'did you mean "{meant}"?' if meant else f"there are {', '.join(CHECKS)}."
        raise SettingsError([f"--check {shown(text)}: there is no such check; {hint}"])
    check, where = CHECKS[name], f"--check {name}:"
    told: Told = {}
    mistakes: list[str] = []
    for part in filter(None, (one.strip() for one in rest.split(";"))):
        word, _, value = part.partition(" ")
        reading = check.readings.get(word)
        if reading is None:
            meant = nearest(word, tuple(check.readings))
            hint = f'did you mean "{meant}"?' if meant else (
                f"its readings are {', '.join(check.readings)}.")
            mistakes.append(f"{where} {shown(word)} is not a reading of it; {hint}")
        elif word in told:
            mistakes.append(f"{where} {word} stands there twice; write it once.")
        elif reading.kind is None:
            told[word] = value.strip()
            if told[word] not in CATALYSTS:
                mistakes.append(f"{where} {word} {shown(value.strip())} is not known; "
                                f"write {word} {' or '.join(CATALYSTS)}.")
        else:
            told[word] = 0.0  # so that a wrong one is not called missing too
            try:
                told[word] = typed(f"{where} {word}", value, reading.kind, reading.lowest,
                                   reading.highest)
            except SettingsError as error:
                mistakes += error.mistakes
    if "base" in check.readings and "base" not in told and sheet is not None:
        batch = sheet.batch
        told["base"] = batch.catalyst_kind if name == "soap" else (
            batch.titrant_kind or batch.catalyst_kind)
    missing = [f"{word} ({reading.what})" for word, reading in check.readings.items()
               if reading.needed and word not in told]
    if missing:
        mistakes.append(f'{where} {", ".join(missing)} missing; write for example '
                        f'--check "{name}: {check.example}".')
    if mistakes:
        raise SettingsError(mistakes)
    return name, told


def result_sections(results: list[Checked], say: Wording, batch_known: bool) -> list[Section]:
    """Each check with its result, what it shows and what it cannot show."""
    sections = []
    for one in results:
        found = one.found
        rows = [Row("result", f"{found.value:.3g} {found.unit}" if found.value < 100 else
                    f"{found.value:.0f} {found.unit}",
                    "passed, as far as this can see" if found.good else "NOT PASSED"),
                Row("it shows", "", found.proves), Row("it cannot", "", found.cannot)]
        if one.second is not None:
            rows.append(Row("second dose", grams(one.second.mass_g),
                            f"in {say.vol(one.second.methanol_l)} of methanol. "
                            f"{one.second.words}"))
        elif one.name == "conversion" and not found.good:
            rows.append(Row("second dose", "not known", SECOND_NEEDS if not batch_known else
                            "the batch file has no titration"))
        cautions = (POISON, CAUSTIC) if one.second is not None else ()
        sections.append(Section(" ".join(one.typed.split()), tuple(rows), cautions))
    return sections


def page_sections(say: Wording) -> list[Section]:
    """What can be checked at home and how, and the limits of the standards."""
    sections = []
    cautions = {"conversion": (POISON,), "soap": (SOLVENT,), "acid value": (CAUSTIC,),
                "water": (WARMED,)}
    for name, check in CHECKS.items():
        done = check.done.format(at=say.asked(fuel.CHECK_AT_C), hot=say.asked(fuel.WATER_CHECK_C))
        rows = (Row("do", "", done), Row("type", "", f'--check "{name}: {check.example}"'))
        sections.append(Section(f"{name[:1].upper()}{name[1:]}", rows, cautions[name]))
    limits = tuple(
        Row(row.property, _limits(row.en_low, row.en_high, row.en_unit, say),
            (f"at {say.asked(row.at_c)}; " if row.at_c is not None else "")
            + (f"ASTM {_limits(row.astm_low, row.astm_high, row.astm_unit, say)}; "
               if (row.astm_low, row.astm_high) != (None, None) else "") + row.at_home)
        for row in fuel.FUEL_LIMITS)
    return [*sections, Section("Limits of EN 14214, and of ASTM D6751 where it is named", limits,
                               (COPIES,))]


def _limits(low: float | None, high: float | None, unit: str, say: Wording) -> str:
    """A limit with its unit; a temperature as the person reads it."""
    if unit == "degC":
        return f"at least {say.asked(low)}" if low is not None else "none"
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}"
    return f"{'>=' if low is not None else '<='} {(low if low is not None else high):g} {unit}"


def checks_json(results: list[Checked]) -> dict[str, Any]:
    """The results as plain values; unknown is None."""
    return {"checks": [
        {"check": one.name, "readings": {_key(one.name, word): value
                                         for word, value in one.told.items()},
         **asdict(one.found),
         "second_dose": asdict(one.second) if one.second is not None else None}
        for one in results]}


def _key(name: str, word: str) -> str:
    """acid is acid_ml, strength of the acid strength_mol_per_l."""
    kind = CHECKS[name].readings[word].kind
    return word if kind is None else f"{word}_{kind.core.replace('/', '_per_').lower()}"


def limits_json() -> dict[str, Any]:
    """The limits and the checks there are, as plain values."""
    return {"limits": [asdict(row) for row in fuel.FUEL_LIMITS],
            "checks": {name: check.example for name, check in CHECKS.items()}}


def read_checks(texts: tuple[str, ...], say: Wording, sheet: Sheet | None) -> list[Checked]:
    """All of them; Refused with the mistakes of all at once."""
    results: list[Checked] = []
    mistakes: list[str] = []
    for text in texts:
        try:
            results.append(checked(text, say, sheet))
        except SettingsError as error:
            mistakes += error.mistakes
    if mistakes:
        raise Refused(*mistakes)
    return results

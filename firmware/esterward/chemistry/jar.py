"""A test in jars before the batch: three amounts of catalyst around the planned one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from esterward.chemistry import charge
from esterward.chemistry.ranges import within
from esterward.chemistry.sheet import Sheet, batch_sheet
from esterward.chemistry.wording import METRIC, Wording
from esterward.values.batch import Batch

# g/L of base from rung to rung, the same moles for both. Common practice, no source.
LADDER_STEP_G_PER_L: Final = {"KOH": 1.0, "NaOH": 0.7}


@dataclass(frozen=True, slots=True)
class Rung:
    """One jar: base in g/L as the batch says it (pure or as weighed), what goes in."""

    base_g_per_l: float
    mass_g: float
    methanol_ml: float


@dataclass(frozen=True, slots=True)
class Ladder:
    """Three jars of jar_l litres of oil; scale_step_max_g is the coarsest scale that serves.

    rungs is empty while the titration is missing or the sheet has errors. scale_error is one
    sentence when the scale that was named is too coarse, else empty.
    """

    jar_l: float
    sheet: Sheet
    rungs: tuple[Rung, ...]
    scale_step_max_g: float | None
    scale_error: str


def ladder(
    batch: Batch, jar_l: float, scale_step_g: float | None = None, say: Wording = METRIC
) -> Ladder:
    """Jars of 0.05..5 L of oil each, as the batch but one step less, as it is, one step more."""
    litres = within("jar", jar_l, 0.05, 5.0, "L")
    step = None if scale_step_g is None else within("scale step", scale_step_g, 1e-4, 100.0, "g")
    sheet = batch_sheet(replace(batch, oil_volume_l=litres, lots=()), None, say)
    base, spirit = sheet.catalyst, sheet.methanol
    if base is None or spirit is None or sheet.errors:
        return Ladder(litres, sheet, (), None, "")
    if step is not None:  # without a reactor the sheet knows no scale
        base = replace(base, mass_low_g=max(0.0, base.mass_low_g - step),
                       mass_high_g=base.mass_high_g + step)
        sheet = replace(sheet, catalyst=base, scale_step_g=step)
    rungs = []
    for steps in (-1, 0, 1):
        more = steps * LADDER_STEP_G_PER_L[base.kind]
        rung_base = max(0.0, base.base_g_per_l + more)
        weighed = charge.base_as_weighed_g_per_l(rung_base, base.purity, base.base_as_weighed)
        rungs.append(Rung(rung_base, (base.titration_g_per_l + weighed) * litres,
                          1000.0 * spirit.volume_l))
    lightest = min(rung.mass_g for rung in rungs)
    most = charge.SCALE_SHARE_MAX * lightest
    error = ""
    if step is not None and not step <= most:
        error = (f"a scale with steps of {step:g} g is too coarse to weigh {lightest:.2f} g; "
                 f"allowed is at most {charge.coarsest_step_words(lightest)}; take a finer "
                 "scale or a larger jar.")
    return Ladder(litres, sheet, tuple(rungs), most, error)

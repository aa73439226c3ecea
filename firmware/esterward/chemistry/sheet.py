"""The batch sheet: every number of a batch, and what is to be said about them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from esterward.chemistry import sheet_rules
from esterward.chemistry.figures import Figures, figures
from esterward.chemistry.wording import METRIC, Wording
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet(Figures):
    """The figures with their judgement.

    complete: everything is known and nothing forbidden, so a dose may be made up from it.
    missing, errors and warnings are full sentences.
    """

    complete: bool
    missing: tuple[str, ...]
    errors: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def why_not_complete(self) -> tuple[str, ...]:
        """The sentences that stand between this sheet and a dose."""
        return self.missing + self.errors


def batch_sheet(
    batch: Batch, reactor: Reactor | None, say: Wording = METRIC
) -> Sheet:
    """The sheet of a batch in a reactor, or without one (a jar, or before it is described).

    say puts temperatures and volumes of the sentences into the reader's units.
    Without a reactor there is no ceiling, setpoint or heating. ValueError only for numbers
    that are not finite or outside the range of a formula; what a person can have written
    wrongly comes back in errors.
    """
    numbers = figures(batch, reactor)
    missing = sheet_rules.missing(numbers, reactor)
    errors = sheet_rules.errors(numbers, reactor, say)
    return Sheet(
        **{field.name: getattr(numbers, field.name) for field in fields(numbers)},
        complete=not missing and not errors, missing=missing, errors=errors,
        warnings=sheet_rules.warnings(numbers, reactor, say),
    )


_TITRATION = ("n", "readings_ml", "mean_ml", "sd_ml", "spread_ml", "half_width_ml",
              "allowed_ml", "another_wanted", "apart_ml")
_CATALYST = ("kind", "purity", "base_g_per_l", "base_weighed_g_per_l", "titration_g_per_l",
             "total_g_per_l", "other_titrant", "other_total_g_per_l", "mass_g", "mass_low_g",
             "mass_high_g")
_METHANOL = ("volume_l", "mass_kg", "percent_v", "molar_ratio", "stoichiometric_percent")
_HEATING = ("energy_kwh", "time_min", "oil_kwh", "measured")


def sheet_json(sheet: Sheet) -> dict[str, Any]:
    """The sheet as plain values for other programs; unknown is None, NaN never occurs.

    melting_h is None when the oil is not set, its two are None for never; ceiling and heating are
    None when not known; titration, catalyst and methanol always have
    their keys.
    """
    batch, judged, base = sheet.batch, sheet.titration, sheet.catalyst
    known: dict[str, Any] = {"n": 0, "readings_ml": []}
    stock: dict[str, Any] = {"kind": batch.catalyst_kind, "purity": batch.catalyst_purity}
    return {
        "complete": sheet.complete,
        "missing": list(sheet.missing),
        "errors": list(sheet.errors),
        "oil_l": sheet.oil_l,
        "titration": _picked(judged, _TITRATION, known),
        "titre_g_per_l": sheet.titre_g_per_l,
        "blend_titre_ml": sheet.blend_titre_ml,
        "acid_value_mg_koh_per_g": sheet.acid_value_mg_koh_per_g,
        "ffa_percent": sheet.ffa_percent,
        "zone": sheet.zone.name if sheet.zone else None,
        "catalyst": _picked(base, _CATALYST, stock),
        "methanol": _picked(sheet.methanol, _METHANOL, {}),
        "stages": [asdict(stage) for stage in sheet.stages],
        "methoxide_rise_k": sheet.methoxide_rise_k,
        "ceiling": asdict(sheet.ceiling) if sheet.ceiling else None,
        "setpoint_c": sheet.setpoint_c,
        "melting_h": None if sheet.melting_h is None else {
            "soft": sheet.melting_h[0], "hard": sheet.melting_h[1]},
        "heating": _picked(sheet.heating, _HEATING, {}) if sheet.heating else None,
        "mixing": asdict(sheet.coast) if sheet.coast else None,
        "dipstick": {"oil_mm": sheet.dip_oil_mm, "dosed_mm": sheet.dip_dosed_mm},
        "settling": asdict(sheet.settling) if sheet.settling else None,
        "products": asdict(sheet.products) if sheet.products else None,
        "wash_water_l": list(sheet.wash_water_l),
        "drying": asdict(sheet.drying) if sheet.drying else None,
        "warnings": list(sheet.warnings),
    }


def _picked(source: object, names: tuple[str, ...], else_: dict[str, Any]) -> dict[str, Any]:
    if source is None:
        return {name: else_.get(name) for name in names}
    values = {name: getattr(source, name) for name in names}
    return {name: list(v) if isinstance(v, tuple) else v for name, v in values.items()}

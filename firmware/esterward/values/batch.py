"""One batch as plain numbers: what batch.toml says plus what was observed since."""

from __future__ import annotations

from dataclasses import dataclass

DEWATER_MODES = ("settle", "boil", "none")
CATALYSTS = ("KOH", "NaOH")
TITRANTS = ("same stock", "pure")
INDICATORS = ("phenolphthalein", "turmeric", "pH meter", "pH paper")


@dataclass(frozen=True, slots=True)
class Wash:
    """One wash: share of the ester volume as water, and whether it is stirred or a mist."""

    share: float
    stirred: bool


@dataclass(frozen=True, slots=True)
class Lot:
    """One lot of oil that was blended in: litres, and its own titre (mL of 1 g/L per mL)."""

    volume_l: float
    titre_ml: float


@dataclass(frozen=True, slots=True)
class Batch:
    """One lot of oil going through. Fractions are 0..1, not percent.

    oil_set: the oil is fat that has set in the vessel; it is melted before the pump may run.

    titration_readings_ml are mL of titrant per sample; base_g_per_l None means the usual base
    of the catalyst kind as pure; base_as_weighed True means the base is not divided by purity.
    Exactly one of methanol_share (of the oil's volume) and methanol_molar_ratio is given.

    titration_sample_g, when given, is the weighed sample and replaces titration_sample_ml.
    titrant_kind is the base in the titrant, empty for the same as catalyst_kind.
    titration_indicator is one of INDICATORS. lots are what was blended to this oil; their
    titres only foretell that of the blend, which is titrated itself. oil_water_mg_per_kg is
    water measured in the oil, None for not measured. oil_molar_mass_g_per_mol is that of the
    triglyceride. methanol_start_c is the methanol before the catalyst goes in. first_share is
    the share of catalyst and methanol in the first stage of a two-stage plan, None for one
    stage.
    """

    name: str = "batch"
    oil_volume_l: float = 0.0
    oil_start_c: float = 20.0
    oil_set: bool = False
    oil_density_kg_per_l: float = 0.918
    titration_readings_ml: tuple[float, ...] = ()
    titrant: str = "same stock"
    titrant_g_per_l: float = 1.0
    titration_sample_ml: float = 1.0
    titration_blank_ml: float = 0.0
    catalyst_kind: str = "KOH"
    catalyst_purity: float = 1.0
    base_g_per_l: float | None = None
    base_as_weighed: bool = False
    methanol_share: float | None = 0.20
    methanol_molar_ratio: float | None = None
    setpoint_c: float | None = None
    dewater: str = "settle"
    dewater_stand_min: float = 60.0
    dissolve_min: float = 15.0
    pour_min: float = 15.0
    settle_h: float = 8.0
    washes: tuple[Wash, ...] = (Wash(0.10, False), Wash(0.30, True), Wash(0.30, True),
                                Wash(0.30, True))
    wash_stir_min: float = 10.0
    wash_stand_min: float = 60.0
    dry_c: float = 55.0
    dry_min: float = 120.0
    titration_sample_g: float | None = None
    titration_indicator: str = "phenolphthalein"
    titrant_kind: str = ""
    lots: tuple[Lot, ...] = ()
    oil_water_mg_per_kg: float | None = None
    oil_molar_mass_g_per_mol: float = 885.43
    methanol_start_c: float = 20.0
    first_share: float | None = None
    digest: str = ""

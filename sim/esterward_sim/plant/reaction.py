"""Glycerides and methanol to ester: three steps, two published sets, and what spoils them.

Sets (selectable):
- "noureddini-zhu": Noureddini & Zhu 1997, JAOCS 74:1457; six k at 50 degC and activation
  energies from memory (confirmed in one public model code). Soybean oil, 6:1, NaOH 0.20 wt%.
  Reversible; as one phase it stops at 0.85 ester, so with glycerol_separates its back step sees
  no more glycerol than dissolves in ester.
- "darnoko-cheryan": Darnoko & Cheryan 2000, JAOCS 77:1263; 1/w - 1/w0 = k t for each glyceride,
  w in wt%; table and energies from memory (abstract agrees). Palm oil, 6:1, KOH 1 wt%.
  Irreversible as published; here it slows in proportion once less methanol is left than the 3:1
  that a 6:1 charge still has at its end (a), and stops when there is none. The default.
Neither is proof of a yield: both are extrapolated to 4.7:1 and to used oil.
Assumptions without a source, marked (a): rate linear in free base; dispersion times; hydrolysis
of ester by hydroxide 8 % of the base an hour at 50 degC and 0.3 % water; 2 % of water halves
the methoxide; glycerol dissolved in ester 0.03 mol/L.
"""

from __future__ import annotations

from math import exp, log

from esterward_sim.plant.contents import KG_DG, KG_MG, KG_TG, Contents

R_CAL = 1.987204
NZ_K50 = (0.050, 0.110, 0.215, 1.228, 0.242, 0.007)              # L/mol/min
NZ_EA = (13145.0, 9932.0, 19860.0, 14639.0, 6421.0, 9588.0)      # cal/mol
NZ_BASE_MOL_PER_KG = 0.050                                       # 0.20 wt% NaOH
DC_T_C = (50.0, 55.0, 60.0, 65.0)
DC_K = (                                                         # 1/(wt% min): TG, DG, MG
    (0.018, 0.024, 0.036, 0.048),
    (0.036, 0.051, 0.070, 0.098),
    (0.112, 0.158, 0.141, 0.191),
)
DC_EA = (14700.0, 14200.0, 6400.0)
DC_BASE_MOL_PER_KG = 0.178                                       # 1 wt% KOH
KINETICS = ("darnoko-cheryan", "noureddini-zhu")

DISPERSE_S = 20.0            # (a) pump on: one phase in the other
COALESCE_S = 120.0           # (a) pump off
GLYCEROL_DISSOLVED = 0.03    # (a) mol/L
NEUTRALISE_PER_S = 1.0 / 20.0
HYDROLYSE_PER_S = 0.08 / 3600.0
HYDROLYSE_EA = 11000.0       # (a) cal/mol
WATER_DOUBLES = 0.003        # (a) kg/kg of water that doubles the hydrolysis
WATER_HALVES = 0.02          # (a) kg/kg of water that halves the methoxide


def arrhenius(ea_cal: float, t_c: float, reference_c: float) -> float:
    """Factor against reference_c."""
    return exp(-ea_cal / R_CAL * (1.0 / (t_c + 273.15) - 1.0 / (reference_c + 273.15)))


def nz_constants(t_c: float) -> tuple[float, ...]:
    """The six of Noureddini & Zhu at t_c, L/mol/min."""
    return tuple(k * arrhenius(ea, t_c, 50.0) for k, ea in zip(NZ_K50, NZ_EA, strict=True))


def dc_constants(t_c: float) -> tuple[float, ...]:
    """The three of Darnoko & Cheryan at t_c: the table, straight in ln k over 1/T, Ea outside."""
    out = []
    for row, ea in zip(DC_K, DC_EA, strict=True):
        if t_c <= DC_T_C[0]:
            out.append(row[0] * arrhenius(ea, t_c, DC_T_C[0]))
        elif t_c >= DC_T_C[-1]:
            out.append(row[-1] * arrhenius(ea, t_c, DC_T_C[-1]))
        else:
            i = max(n for n, low_c in enumerate(DC_T_C) if low_c <= t_c)
            x0, x1 = 1.0 / (DC_T_C[i] + 273.15), 1.0 / (DC_T_C[i + 1] + 273.15)
            part = (1.0 / (t_c + 273.15) - x0) / (x1 - x0)
            out.append(exp(log(row[i]) + part * (log(row[i + 1]) - log(row[i]))))
    return tuple(out)


class Reaction:
    """dispersed 0..1 says how far one phase is in the other; without limits it is 1."""

    def __init__(self, kinetics: str, mixing_limited: bool, glycerol_separates: bool,
                 soap_forms: bool) -> None:
        if kinetics not in KINETICS:
            raise ValueError(f"plant: kinetics {kinetics!r}; allowed: {', '.join(KINETICS)}")
        self._nz = kinetics == "noureddini-zhu"
        self._mixing_limited = mixing_limited
        self._separates = glycerol_separates
        self._soap_forms = soap_forms
        self.dispersed = 0.0 if mixing_limited else 1.0
        self._constants_c = -300.0
        self._constants: tuple[float, ...] = ()

    def step(self, dt_s: float, c: Contents, t_c: float, mixed: bool) -> float:
        """React for dt_s seconds at t_c; gives the mol of triglyceride that went."""
        if self._mixing_limited:
            if mixed:
                self.dispersed += (1.0 - self.dispersed) * (1.0 - exp(-dt_s / DISPERSE_S))
            else:
                self.dispersed *= exp(-dt_s / COALESCE_S)
        if self.dispersed < 0.01 or c.base <= 0.0:
            return 0.0
        if self._soap_forms:
            self._make_soap(dt_s, c, t_c)
        if c.methanol <= 0.0:
            return 0.0
        if abs(t_c - self._constants_c) > 0.02:
            self._constants_c = t_c
            self._constants = nz_constants(t_c) if self._nz else dc_constants(t_c)
        kg = c.fuel_kg
        if kg < 0.1:
            return 0.0
        reference = NZ_BASE_MOL_PER_KG if self._nz else DC_BASE_MOL_PER_KG
        base = c.base / kg
        if self._soap_forms:
            base /= 1.0 + c.water_kg / kg / WATER_HALVES
        minutes = dt_s / 60.0 * self.dispersed * base / reference
        rates = self._nz_rates if self._nz else self._dc_rates
        size = c.volume_l(20.0) if self._nz else c.kg
        # midpoint rule on (tg, dg, mg, ester, glycerol, methanol)
        y = (c.tg, c.dg, c.mg, c.ester, c.glycerol, c.methanol)
        r1, r2, r3 = rates(y, size)
        half = 0.5 * minutes
        y2 = (y[0] - half * r1, y[1] + half * (r1 - r2), y[2] + half * (r2 - r3),
              y[3] + half * (r1 + r2 + r3), y[4] + half * r3, y[5] - half * (r1 + r2 + r3))
        r1, r2, r3 = rates(y2, size)
        n1, n2, n3 = minutes * r1, minutes * r2, minutes * r3
        total = n1 + n2 + n3
        if total > c.methanol:
            cut = c.methanol / total
            n1, n2, n3, total = n1 * cut, n2 * cut, n3 * cut, c.methanol
        c.tg = max(0.0, c.tg - n1)
        c.dg = max(0.0, c.dg + n1 - n2)
        c.mg = max(0.0, c.mg + n2 - n3)
        c.glycerol += n3
        c.ester += total
        c.methanol -= total
        return n1

    def _nz_rates(self, y: tuple[float, ...], litres: float) -> tuple[float, float, float]:
        """mol/min of the three steps."""
        k1, k2, k3, k4, k5, k6 = self._constants
        tg, dg, mg, ester, glycerol, methanol = y
        if self._separates:
            glycerol = min(glycerol, GLYCEROL_DISSOLVED * litres)
        return (
            (k1 * tg * methanol - k2 * dg * ester) / litres,
            (k3 * dg * methanol - k4 * mg * ester) / litres,
            (k5 * mg * methanol - k6 * glycerol * ester) / litres,
        )

    def _dc_rates(self, y: tuple[float, ...], kg: float) -> tuple[float, float, float]:
        """mol/min; each glyceride falls by k w**2 wt%/min, slowed when methanol runs short."""
        k_tg, k_dg, k_mg = self._constants
        tg, dg, mg, ester, _glycerol, methanol = y
        supply = 1.0
        if self._separates:
            # 1 while methanol is at least the 3:1 that a 6:1 charge still has at the end
            glycerides = tg + (dg + mg + ester) / 3.0
            supply = min(1.0, methanol / (3.0 * glycerides)) if glycerides > 0.0 else 0.0
        w = 100.0 / kg
        return (
            supply * k_tg * w * tg * tg * KG_TG,
            supply * k_dg * w * dg * dg * KG_DG,
            supply * k_mg * w * mg * mg * KG_MG,
        )

    def _make_soap(self, dt_s: float, c: Contents, t_c: float) -> None:
        """Free acid takes base at once; hydroxide takes some ester; both make soap."""
        part = 1.0 - exp(-dt_s * NEUTRALISE_PER_S * self.dispersed)
        acid = min(c.ffa, c.base) * part
        c.ffa -= acid
        c.base -= acid
        c.soap += acid
        c.water_kg += acid * 0.018015
        if c.ester > 0.0 and c.fuel_kg > 0.0:
            wet = 1.0 + c.water_kg / c.fuel_kg / WATER_DOUBLES
            lost = c.base * min(0.5, HYDROLYSE_PER_S * dt_s * self.dispersed * wet * 0.5
                                * arrhenius(HYDROLYSE_EA, t_c, 50.0))
            lost = min(lost, c.ester)
            c.base -= lost
            c.ester -= lost
            c.soap += lost
            c.methanol += lost  # ester + hydroxide -> soap + methanol

"""The heavy libraries that checks against the outside ask, imported by the first who asks.

Every worker of the test command collects every file: at the top of a file these would cost each
of them seconds of processor time, whether it runs their tests or not.
"""

from __future__ import annotations

from functools import cache
from typing import Any


def props_si(*state: Any) -> float:
    """CoolProp's PropsSI."""
    from CoolProp.CoolProp import PropsSI
    return float(PropsSI(*state))


def solve_ivp(*args: Any, **options: Any) -> Any:
    """scipy.integrate.solve_ivp."""
    from scipy import integrate
    return integrate.solve_ivp(*args, **options)


def fit(*args: Any, **options: Any) -> Any:
    """esterward_sim.fit.model.fit, which asks scipy's least squares."""
    from esterward_sim.fit.model import fit as found
    return found(*args, **options)


@cache
def full_registry() -> Any:
    """pint.UnitRegistry, with every unit Pint knows."""
    import pint
    return pint.UnitRegistry()


def v_terminal(*args: Any, **options: Any) -> float:
    """fluids.v_terminal."""
    import fluids
    return float(fluids.v_terminal(*args, **options))

"""`esterward rehearse --fit RECORD`: what the record is, what was found, what to write down."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any, Final

import click

from esterward.cli.errors import Refused, install, reading
from esterward.record.read import Document, read_documents, read_rows, read_ticks
from esterward.record.schema import BadRecord
from esterward.settings.files import load_pair, load_reactor
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.fit.window import NotEnough, Window, best_window

# Half of the 95 % interval, as a share of the value, beyond which it is not written down.
WIDEST: Final = {"heat capacity": 0.05, "loss": 0.25, "run-on": 0.2, "probe lag": 0.25}
KEYS: Final = {"heat capacity": "heat_capacity", "loss": "loss", "run-on": "run_on",
               "probe lag": "probe_lag"}


def fit_record(path: Path, batch: Path | None, reactor: Path | None, as_json: bool) -> int:
    """Print what the record's heat-up tells; exit code 0, or 1 when it holds not enough."""
    try:
        from esterward_sim.fit.model import fit
    except ImportError:
        raise Refused("rehearse --fit: the package scipy is not installed; in the "
                      f"project's folder, {install('fit')} brings it.") from None
    try:
        window, plan, vessel = _read(path, batch, reactor)
        found = fit(window, element_w=vessel.element_w, oil_l=plan.oil_volume_l,
                    room_c=vessel.room_c, probe_lag_s=vessel.measured_probe_lag_s)
    except BadRecord as error:
        raise Refused(f"{str(error).rstrip('.')}.") from None
    except NotEnough as error:
        click.echo(f"{path}: {error}.", err=True)
        return 1
    rows = {
        "heat capacity": (found.capacity_j_per_k, 1e-3, "kJ/K"), "loss": (found.loss_w_per_k, 1.0,
                                                                          "W/K"),
        "run-on": (found.run_on_s, 1.0, "s"), "probe lag": (found.probe_lag_s, 1.0, "s")}
    plain: dict[str, Any] = {
        KEYS[name]: {"value": one.value * factor, "error": one.error * factor,
                     "low": one.low * factor, "high": one.high * factor, "unit": unit,
                     "enough": 0.0 <= one.half_share <= WIDEST[name]}
        for name, (one, factor, unit) in rows.items()}
    wide = [name for name in WIDEST if name != "probe lag" and not plain[KEYS[name]]["enough"]]
    if as_json:
        click.echo(json.dumps(plain | {
            "oil_l": found.oil_l, "room_c": vessel.room_c, "heat_s": window.heat_s,
            "rise_k": window.rise_k, "residual_k": found.residual_k,
            "run_on_k": found.rate_k_s * found.run_on_s.value}))
    else:
        _tell(window, vessel, found, plain)
    if wide:
        told = "; ".join(f"{name} lies between {max(0.0, one['low']):.3g} and {one['high']:.3g} "
                         f"{one['unit']}" for name in wide for one in [plain[KEYS[name]]])
        click.echo(f"{path}: the record does not hold enough to tell everything: {told}; record "
                   "at least half an hour of heat and then half an hour with the heat off, the "
                   "pump running all the time.", err=True)
    return 1 if wide else 0


def _read(path: Path, batch: Path | None,
          reactor: Path | None) -> tuple[Window, Batch, Reactor]:
    """The window with the batch and the reactor it belongs to: named, else kept with it."""
    documents = list(read_documents(path))
    rows = list(read_rows(path))
    # One look at what is needed to read the trace: whether a solid-state switch is in series.
    vessel = _settings(path, documents, None, batch, reactor)[1]
    window = best_window(read_ticks(path), rows, vessel.element_switch == "ssr")
    plan, vessel = _settings(path, documents, window.number, batch, reactor)
    return window, plan, vessel


def _settings(path: Path, documents: list[Document], number: int | None, batch: Path | None,
              reactor: Path | None) -> tuple[Batch, Reactor]:
    with tempfile.TemporaryDirectory() as folder, reading():
        places: dict[str, Path] = {}
        for name, named in (("batch.toml", batch), ("reactor.toml", reactor)):
            kept = [d for d in documents if d.name == name
                    and (number is None or d.number <= number)]
            if named is not None:
                places[name] = named
            elif kept:
                places[name] = Path(folder) / name
                places[name].write_text(kept[-1].text, encoding="utf-8")
            else:
                how = ("esterward rehearse batch.toml --fit RECORD" if name == "batch.toml"
                       else "--reactor FILE")
                raise Refused(f"{path}: no {name} is kept with this record; name it with {how}.")
        plan, _ = load_pair(places["batch.toml"], places["reactor.toml"])
        return plan, load_reactor(places["reactor.toml"])


def _tell(window: Window, vessel: Reactor, found: Any, plain: dict[str, Any]) -> None:
    click.echo(f"A heat-up of {window.rise_k:.1f} K with {window.heat_s / 60.0:.0f} min of heat; "
               f"one vessel explains the readings within {found.residual_k:.3f} K.\n"
               f"Taken as true: {vessel.element_w:g} W as on the plate, {found.oil_l:g} L of oil, "
               f"a room of {vessel.room_c:g} degC within 1 K.\n")
    for name, key in KEYS.items():
        one = plain[key]
        click.echo(f"  {name:14} {one['value']:7.4g} {one['unit']:5} +- {one['error']:<7.2g} "
                   f"95 %: {max(0.0, one['low']):.4g} to {one['high']:.4g} {one['unit']}")
    rise_k = found.rate_k_s * found.run_on_s.value
    click.echo(f"\nSwitched off at full power, the reading climbs {rise_k:.2f} K more. The probe's "
               "lag is a part\nof the run-on, which a heat-up alone can hardly tell: move the "
               "probe in its well from\nice water into warm water, and take the time of 63 % of "
               "the step.\n\nFor reactor.toml (then: esterward guard --prepare):\n\n[measured]")
    for name, key in KEYS.items():
        one = plain[key]
        start = "" if one["enough"] else "# "
        told = "" if one["enough"] else "   # not known well enough"
        click.echo(f'{start}{key} = "{one["value"]:.4g} {one["unit"]}"{told}')
        if name == "heat capacity":
            click.echo(f'{start}oil = "{found.oil_l:g} L"{told}')

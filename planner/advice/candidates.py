"""Every measure worth trying in a setting: what there could be more of, elsewhere, or sooner."""

from __future__ import annotations

from collections.abc import Iterator

from planner.advice.measures import SPARE_GAP_MIN, Measure, applied, movable
from planner.advice.setting import Setting, models_of, people_of, places_of, reaching
from planner.advice.steps import next_options
from planner.incident import BUILT_IN, Incident, Patient, Regulator, Vehicle
from planner.oxygen_options import options_of
from planner.reference import load_regulator_defaults
from planner.shelf import usable_l
from planner.state import keys


def measures_of(setting: Setting) -> tuple[Measure, ...]:
    """Return every measure that can be had in a setting, sorted, free of the file's order."""
    every = [
        *_things(setting), *_moves(setting), *_sooner(setting), *_rules(setting), *_steps(setting),
    ]  # fmt: skip
    return tuple(sorted(dict.fromkeys(every), key=lambda m: m.key))


def _things(setting: Setting) -> Iterator[Measure]:
    incident = setting.incident
    for place in (p.name for p in incident.places):
        if reaching(setting, place):
            for model in models_of(incident):
                yield Measure("cylinder", model.size, place, model=model)
    for place in places_of(setting):
        for connection in sorted({c.connection for c in incident.all_cylinders} - {BUILT_IN}):
            regulator = regulator_model(incident, connection)
            yield Measure("regulator", connection, place, model=regulator)
        if keys(incident) is not None:
            yield Measure("key", "", place)
        if setting.state.washers is not None:
            yield Measure("washer", "", place)
        yield Measure("responder", "", place)
    for patient in people_of(setting):
        place = setting.state.patient(patient.tag).place
        for option in options_of(incident, patient):
            yield Measure("device", option.device, place, patient.age)


def regulator_model(incident: Incident, connection: str) -> Regulator:
    """Return a regulator like the one of the file with most settings, else a usual one."""
    alike = [r for r in incident.all_regulators if r.connection == connection]
    if not alike:
        return Regulator("", connection, load_regulator_defaults().settings_lpm, 1, None)
    best = max(alike, key=lambda r: (len(r.settings_lpm), r.settings_lpm))
    return Regulator("", connection, best.settings_lpm, 1, None)


def _moves(setting: Setting) -> Iterator[Measure]:
    rows = {c.tag: c for c in setting.incident.all_cylinders}
    for origin in (p.name for p in setting.incident.places):
        tags = movable(setting, origin)
        fullest: dict[tuple[str, str], tuple[float, str]] = {}
        for tag in tags:
            litres = usable_l(setting.incident, setting.state, rows[tag])
            size = (rows[tag].size, rows[tag].connection)
            # The fullest of each size; of equals the first by tag, so that file order is out.
            fullest[size] = min(fullest.get(size, (0.0, "")), (-litres, tag))
        for place in places_of(setting):
            if place == origin:
                continue
            if len(tags) > 1:
                yield Measure("move all", "", place, origin=origin)
            for litres, tag in fullest.values():
                if litres < 0:
                    yield Measure("move one", tag, place, origin=origin)


def _sooner(setting: Setting) -> Iterator[Measure]:
    for patient in people_of(setting):
        if patient.transfer is None and patient.transfer_after_found is None:
            continue
        group = patient.transfer_group or ""
        yield Measure("transfer earlier", group, origin="" if group else patient.tag)
    for name in {v.name: None for p in people_of(setting) for v in _vehicles(setting, p)}:
        yield Measure("vehicle earlier", name)
    for number in range(len(setting.incident.resupply)):
        if number not in setting.state.arrived:
            yield Measure("resupply earlier", str(number + 1))


def _vehicles(setting: Setting, patient: Patient) -> tuple[Vehicle, ...]:
    return setting.incident.vehicles_of(patient, setting.state.patient(patient.tag).place)


def _rules(setting: Setting) -> Iterator[Measure]:
    """Yield what changes for everyone: the file has one swap gap and one change pressure."""
    incident = setting.incident
    if incident.swap_gap_min > SPARE_GAP_MIN:
        yield Measure("spare regulator")
    if incident.safe_residual.psi < incident.change_at.psi:
        yield Measure("change lower")


def _steps(setting: Setting) -> Iterator[Measure]:
    for patient in people_of(setting):
        now = setting.policy.option_of(patient.tag)
        if now is None:
            continue
        for kind, option in next_options(setting.incident, patient, now).items():
            measure = Measure(kind, patient.tag, model=option)
            if is_possible(measure, setting):
                yield measure


def is_possible(measure: Measure, setting: Setting) -> bool:
    """Say whether a measure can be had in a setting."""
    try:
        applied(measure, setting)
    except ValueError:
        return False
    return True

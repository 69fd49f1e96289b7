"""What would help most, and what to ask for, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from planner.advice.effects import Effect, Row
from planner.advice.measures import EARLIER_MIN, Measure
from planner.advice.ranking import Advice
from planner.advice.request import Answer
from planner.estimate import Estimate
from planner.incident import Cylinder, Incident, Option, Regulator
from planner.report.estimates import between, is_clear, points
from planner.report.words import counted, joined, percent, pressure, share, when
from planner.what_if import Compared

WEIGHED: Final = (
    "Ordered as the plan weighs: who runs out, Immediates first, for how long, and levels below"
    " first choice."
)
MASSES: Final = "masses are rough, mostly from memory, without valves"
TRAVEL: Final = "minutes from asking to arrival: common practice, no source; say what holds for you"
NOTES: Final = (
    "A gap at a swap does not count as out of oxygen, so a shorter one shows only as litres.",
    "To change at the safe residual holds for everyone here: a file has one change pressure."
    " It is for patients whom somebody watches.",
    "Steps between levels are a clinician's decision. They are judged with the plan kept only.",
    "Planned again may spend what a thing brings on a better level for somebody: it weighs both.",
    "What stands elsewhere is taken to stand there from now on; nobody's time to carry it counts.",
)


def measure_words(measure: Measure, incident: Incident, *, is_twice: bool = False) -> str:
    """Return one measure in words, or the same thing twice: two more of it."""
    where, origin = (at_place(p, incident) for p in (measure.place, measure.origin))
    more, s = ("two more", "s") if is_twice else ("one more", "")
    match measure.kind:
        case "cylinder":
            what = f"{more} {_size(measure.model, incident)} cylinder{s}{where}"
        case "regulator":
            what = f"{more} {measure.name} regulator{s}{where}"
        case "device":
            plural = s if measure.name[-1:].islower() else ""  # no venturi 24s
            what = f"{more} {measure.name}{plural} ({measure.age}){where}"
        case "key" | "washer" | "responder":
            what = f"{more} {measure.kind}{s}{where}"
        case "move one":
            what = f"cylinder {measure.name} standing{where}, not{origin}"
        case "move all":
            what = f"the whole reserve{origin} standing{where} instead"
        case _:
            what = _rule_words(measure, incident)
    return what


def _rule_words(measure: Measure, incident: Incident) -> str:
    match measure.kind:
        case "transfer earlier":
            who = measure.name or f"transfer of {measure.origin}"
            return f"{who} {EARLIER_MIN:.0f} min earlier"
        case "vehicle earlier":
            return f"{measure.name} {EARLIER_MIN:.0f} min earlier on every trip"
        case "resupply earlier":
            number = f" {measure.name}" if len(incident.resupply) > 1 else ""
            return f"resupply{number} {EARLIER_MIN:.0f} min earlier"
        case "spare regulator":
            gap = f"10 s instead of {incident.swap_gap_min:g} min"
            return f"a spare regulator on the next cylinder before each swap (gap {gap})"
        case "change lower":
            is_bar = incident.change_at.unit == "bar"
            low = pressure(incident.safe_residual, is_bar=is_bar)
            return f"change at {low} instead of {pressure(incident.change_at, is_bar=is_bar)}"
    way = "down" if measure.kind == "step down" else "up"
    option = measure.model
    assert isinstance(option, Option)  # noqa: S101 - for the type checker
    return f"{measure.name} {way} to {option.level}: {option.device}, {option.flow_lpm:g} L/min"


def at_place(place: str, incident: Incident) -> str:
    """Return `` at the hut``; nothing where there is one place only."""
    if not place or len(incident.places) == 1:
        return ""
    return f" at the {place}" if place[0].islower() else f" at {place}"


def _size(model: Cylinder | Regulator | Option | None, incident: Incident) -> str:
    assert isinstance(model, Cylinder)  # noqa: S101 - for the type checker
    same = {c.connection for c in incident.all_cylinders if c.size == model.size}
    return f"{model.size} ({model.connection})" if len(same) > 1 else model.size


def measures_words(measures: Sequence[Measure], incident: Incident) -> str:
    """Return measures together; two of a thing are said as such."""
    if len(measures) == 2 and measures[0] == measures[1]:
        return measure_words(measures[0], incident, is_twice=True)
    return " and ".join(measure_words(m, incident) for m in measures)


def row_words(row: Row, incident: Incident) -> str:
    """Return one row: what, the chance before and after, and what planning again brings."""
    parts = [f"{measures_words(row.measures, incident)}: {change_words(row.kept)}"]
    if row.is_left_unused:
        parts.append("planned again nothing is better than leaving it in its box")
    elif row.replanned is not None:
        by = row.replanned.anyone
        parts.append(
            f"planned again {share(by.after.value)} %, {points(by.by)} than planned again without"
            if is_clear(by.by)
            else f"planned again {share(by.after.value)} %, no clear difference to without"
        )
    if not row.is_verified:
        parts.append("first look only, not checked on fresh samples")
    return "; ".join(parts)


def change_words(effect: Effect) -> str:
    """Return ``31 % to 24 %, 7 points fewer (5 to 9)``; minutes where the chance says little."""
    by = effect.anyone
    before, after = share(by.before.value), share(by.after.value)
    ends = f"stays at {after} %" if before == after else f"{before} % to {after} %"
    if is_clear(by.by):
        return f"{ends}, {points(by.by)} {between(by.by)}"
    minutes = effect.minutes_out
    if is_clear(minutes.by):
        return f"{ends}, no clear difference; {_minutes(minutes)}"
    return f"{ends}, no clear difference"


def _minutes(compared: Compared) -> str:
    word = "fewer" if compared.by.value < 0 else "more"
    low, high = sorted((abs(compared.by.low), abs(compared.by.high)))
    return (
        f"minutes without oxygen, all people together, {compared.before.value:.1f} to"
        f" {compared.after.value:.1f} ({low:.1f} to {high:.1f} {word})"
    )


def advice_lines(advice: Advice, incident: Incident) -> Iterator[str]:
    """Yield what would help most, line by line."""
    if advice.is_interrupted:
        yield (
            f"Stopped by hand: {advice.num_tried} of {advice.num_measures} were looked at; this is"
            " what was done by then."
        )
    before = advice.before.anyone.before
    yield f"As planned it is {percent(before)} that anyone runs out of oxygen."
    helping = [(k, row) for k, row in enumerate(advice.rows) if row.is_clear]
    if not helping:
        yield "Nothing that was looked at, alone, helps clearly."
        return
    yield WEIGHED
    numbers = {k: place + 1 for place, (k, _) in enumerate(helping)}
    for place, (_, row) in enumerate(helping):
        yield f"{place + 1}. {row_words(row, incident)}"
    yield from _tie_words([row.is_tied for _, row in helping])
    by_chance = [numbers[k] for k in advice.by_chance if k in numbers]
    if by_chance != sorted(by_chance):
        yield f"By the chance of anyone alone the order is {joined(str(n) for n in by_chance)}."
    if advice.again is not None:
        yield f"Planning again with nothing new: {change_words(advice.again)}."


def _tie_words(is_tied: Sequence[bool]) -> Iterator[str]:
    group = [1]
    for number in range(2, len(is_tied) + 2):
        if number <= len(is_tied) and is_tied[number - 1]:
            group.append(number)
            continue
        if len(group) > 1:
            yield f"No clear difference between {joined(str(n) for n in group)} (each to the next)."
        group = [number]


def pair_lines(advice: Advice, incident: Incident) -> Iterator[str]:
    """Yield the best two together, line by line."""
    helping = [row for row in advice.pairs if row.is_clear]
    for number, row in enumerate(helping):
        yield f"{number + 1}. {row_words(row, incident)}"
    yield from _tie_words([row.is_tied for row in helping])


def request_lines(answer: Answer, incident: Incident, travel_min: float) -> Iterator[str]:
    """Yield what to ask for, or how far it goes, line by line."""
    target = f"{share(answer.target)} %"
    if answer.status == "none needed":
        yield f"Nothing to ask for: {percent(answer.before)} is not over the target of {target}."
        return
    if answer.status == "out of reach":
        yield from _out_of_reach(answer, incident, target)
    elif answer.chance_after is not None:
        yield from _found(answer, incident, target)
    yield f"It takes {travel_min:.0f} {TRAVEL}."
    if answer.curve:
        steps = (f"{_arrival(answer, incident, k)} {share(e.value)} %"
                 for k, (_, e) in enumerate(answer.curve))  # fmt: skip
        yield f"Chance by arrival: {', '.join(steps)}."
        if _is_sooner_worse(answer):
            yield (
                "Sooner is not better all along: what is there sooner is taken by whoever asks"
                " first, and that changes who has what later."
            )


def _is_sooner_worse(answer: Answer) -> bool:
    """Say whether some arrival is clearly better than one before it."""
    return any(later.high < sooner.low for (_, sooner), (_, later) in pairwise(answer.curve))


def _arrival(answer: Answer, incident: Incident, number: int) -> str:
    return "there now" if number == 0 else when(incident.start, answer.curve[number][0])


def _found(answer: Answer, incident: Incident, target: str) -> Iterator[str]:
    after = answer.chance_after
    assert after is not None  # noqa: S101 - for the type checker
    asked, there = (when(incident.start, m) for m in (answer.request_by_min, answer.arrive_by_min))
    yield (
        f"Ask by {asked} for {items_words(answer, incident)}, to arrive{_where(answer, incident)} "
        f"by {there}: the chance of anyone running out comes from {share(answer.before.value)} % "
        f"to {percent(after)}; target {target}."
    )
    if after.value > answer.target:
        yield f"On fresh samples that is over the target by a hair ({points(_over(answer))})."
    elif after.high > answer.target:
        yield "So near the target that the samples cannot tell on which side it is."
    if answer.is_replanned:
        yield (
            "The plan has to be made again for that: with the present one it is not enough. With"
            " the new one and no delivery the chance may be higher than now."
        )
    if answer.mass_kg is not None:
        yield f"About {answer.mass_kg:.0f} kg together; {MASSES}. The lightest comes first."
    else:
        yield "No mass is known for a size, so the fewest litres come first."
    if not answer.is_complete:
        yield "Not everything lighter was looked at."


def _over(answer: Answer) -> Estimate:
    after = answer.chance_after
    assert after is not None  # noqa: S101 - for the type checker
    by = after.value - answer.target
    return Estimate(by, by, by, after.samples)


def _out_of_reach(answer: Answer, incident: Incident, target: str) -> Iterator[str]:
    best = answer.chance_after
    if best is None or not answer.items:
        yield (
            f"Nothing can be asked for that brings it under {target}: no size of the file fits a"
            " regulator, or nothing can arrive before the plan ends."
        )
        return
    there = when(incident.start, answer.arrive_by_min)
    most = "could be used" if answer.is_plenty else "was tried"
    yield (
        f"Nothing brings it under {target}: the best is {percent(best)} with as much as {most}"
        f" ({items_words(answer, incident)}), there{_where(answer, incident)} by {there}."
    )
    if answer.at_once is not None and answer.at_once.value > answer.target:
        short = ": not litres are short then, but regulators, masks, keys, washers, hands or time"
        yield (
            f"Even if they stood there now it would be {share(answer.at_once.value)} %"
            f"{short if answer.is_plenty else ''}."
        )
    elif answer.at_once is not None:
        yield f"Had they stood there now it would be {share(answer.at_once.value)} %."
    if answer.limit is not None and answer.limit.low > answer.target:
        yield f"With them no plan can come under {share(answer.limit.value)} %, by litres alone."
    if answer.is_replanned:
        yield "That is with the plan made again for them."


def _where(answer: Answer, incident: Incident) -> str:
    return at_place(answer.place, incident)


def items_words(answer: Answer, incident: Incident) -> str:
    """Return ``2 full E cylinders and 1 full D cylinder``."""
    return joined(
        counted(n, f"full {_size(model, incident)} cylinder") for model, n in answer.items
    )

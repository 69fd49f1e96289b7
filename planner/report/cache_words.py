"""A study of a cache in words: what it holds, then the stock by load, then what stands beside.

Everything is told from the document (see :mod:`planner.report.cache_document`), so that terminal,
print and page say the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from io import StringIO
from typing import Any, Final

from planner.report.cache_document import estimate_of
from planner.report.estimates import difference_words, is_clear
from planner.report.text import console_to, grid, lines, section
from planner.report.view import Grid
from planner.report.words import chance_in_words, counted, joined, minutes, percent, share

Document = Mapping[str, Any]
Row = Mapping[str, Any]

NOTHING: Final = "no oxygen patient in any incident of the study"
FINISH: Final = "Stopped before it was done: what is missing was not worked out."
FEW: Final = (
    "A stock that held on the samples it was chosen on is over the target on fresh ones: choose on "
    "more samples."
)
LIMITED: Final = (
    "Chances are of the samples of this study: whoever set its chances and times answers for them."
)
SWAPS_DECIDE: Final = (
    "Litres for each kilogram are so close among these that weight hardly chooses between them; "
    "how often somebody must change them does."
)
CLOSE: Final = 1.15  # litres a kg within 15 % of the best are called close: our own


# ----- the first lines ----------------------------------------------------------------------------


def first_line(document: Document) -> str:
    """Return what the stock holds and does not hold, in one line."""
    if not document["holds"]:
        return "What it holds, incident by incident, was not worked out."
    missing = missing_words(document)
    rest = f"Does not hold: {missing}." if missing else "Holds all that was tried."
    return f"Holds {held_words(document)}. {rest}"


def held_words(document: Document) -> str:
    """Return what the stock holds, incident by incident."""
    held = document["first_line"]["holds"]
    return "; ".join(_held(row, number == 0) for number, row in enumerate(held)) or NOTHING


def missing_words(document: Document) -> str:
    """Return what the stock does not hold; empty where it holds all that was tried."""
    return "; ".join(_missing(row) for row in document["first_line"]["does_not_hold"])


def _held(row: Row, is_first: bool) -> str:
    people = str(row["patients"])
    if is_first:
        people = counted(row["patients"], "oxygen patient")
    wait = "" if row["for_min"] is None else f" for {minutes(row['for_min'])}"
    return f"{people}{wait} at {row['case']}"


def _missing(row: Row) -> str:
    number = row["from_patients"]
    if number == 1:
        return f"any oxygen patient at {row['case']}"
    return f"{number} or more at {row['case']}"


def target_line(document: Document) -> str:
    """Return whether the main stock keeps to the target, or that none within the limits does."""
    main = main_offer(document)
    chance, target = estimate_of(main["anyone"]), document["study"]["target_chance"]
    said = (
        f"{_sentence(chance_in_words(chance))} that anyone runs out of oxygen, all incidents "
        f"together: {percent(chance)}; target at most {share(target)} %: {main['word']}."
    )
    if document["is_reachable"]:
        return said
    return (
        "NO STOCK WITHIN THE LIMITS WAS FOUND THAT HOLDS THE TARGET. The best that was reached "
        f"follows. {said}"
    )


def cost_line(document: Document) -> str:
    """Return mass, loads and price of the main stock."""
    main = main_offer(document)
    return (
        f"Stock, {called(document, main['name'])}: {main['mass_kg']:.1f} kg in "
        f"{counted(len(main['loads']), 'load')}, {money(document, main['price'])} to buy."
    )


def main_offer(document: Document) -> Row:
    """Return the offer of which the first line tells."""
    return offer_named(document, document["first_line"]["stock"])


def offer_named(document: Document, name: str) -> Row:
    """Return an offer by its name."""
    found: Row = next(offer for offer in document["offers"] if offer["name"] == name)
    return found


def same_as(document: Document, name: str) -> str | None:
    """Return the name of an earlier offer of the same stock; None where there is none."""
    stock = offer_named(document, name)["stock"]
    for offer in document["offers"]:
        if offer["name"] == name:
            return None
        if offer["stock"] == stock:
            return str(offer["name"])
    return None


def money(document: Document, value: float) -> str:
    """Return a price with its currency."""
    return f"{value:,.0f} {document['study']['currency']}"


def called(document: Document, name: str) -> str:
    """Return what a stock is called: every name under which it is offered."""
    stock = offer_named(document, name)["stock"]
    names = [offer["name"] for offer in document["offers"] if offer["stock"] == stock]
    if names == ["between"]:
        return "between lightest and cheapest"
    return joined(one for one in names if one != "between")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def limit_lines(document: Document) -> Iterator[str]:
    """Yield what no stock can undercut, for the lightest and the cheapest."""
    samples = document["run"]["samples"]["model"]
    for offer in document["offers"]:
        model = offer["model"]
        lighter = offer.get("lighter")  # documents kept before it was tried have none
        if lighter is not None:
            yield _lighter_line(document, lighter)
            continue
        if model is None or model["bound"] is None or model["made_small"] == "both":
            continue
        is_mass = model["made_small"] == "mass"
        value = f"{model['bound']:.1f} kg" if is_mass else money(document, model["bound"])
        own = offer["mass_kg"] if is_mass else offer["price"]
        line = (
            f"No stock {'lighter' if is_mass else 'cheaper'} than {value} meets even the least "
            f"needs of the {samples:,} samples a case that the model was shown, as often as the "
            "target asks."
        )
        if own < model["bound"] - 0.05:
            line += " The one offered is less: it was tried on other, more samples."
        yield line


def _lighter_line(document: Document, lighter: Row) -> str:
    if not lighter["is_whole"] and not lighter["none_below_kg"]:
        return "There are too many lighter sets of cylinders to try them all."
    samples = document["run"]["samples"]["choosing"]
    line = (
        f"No stock lighter than {lighter['none_below_kg']:.1f} kg keeps the target in the "
        f"{samples:,} samples a case that it was chosen on: of all lighter sets of cylinders the "
        f"{lighter['tried']:,} with litres enough were tried in operation."
    )
    return line if lighter["is_whole"] else f"{line} Heavier ones were not all tried."


# ----- tables -------------------------------------------------------------------------------------


def offers_grid(document: Document) -> Grid:
    """Return the offers beside each other."""
    heads = ("Stock", "Weighs, kg", "Loads", "To buy", "Anyone runs out", "Target")
    rows = []
    for offer in document["offers"]:
        twin = same_as(document, offer["name"])
        name = offer["name"] + (f" (same as {twin})" if twin else "")
        rows.append((
            name, f"{offer['mass_kg']:.1f}", str(len(offer["loads"])),
            money(document, offer["price"]), _chance(offer), offer["word"],
        ))  # fmt: skip
    return Grid("Stocks", heads, tuple(rows), frozenset({1, 2, 3}))


def _chance(row: Row) -> str:
    chance = estimate_of(row.get("anyone", row))
    return f"{chance_in_words(chance)}, {percent(chance)}"


def stock_words(rows: Sequence[Row], *, has_caches: bool) -> str:
    """Return a stock in one line: ``3 x jumbo D, 2 x regulator``."""
    return ", ".join(_times(row) + (f" in {row['cache']}" if has_caches else "") for row in rows)


def _times(row: Row) -> str:
    """Return a number of an item; its name is the user's, so it is not put in the plural."""
    return f"{row['count']} x {row['item']}"


def stock_grid(document: Document, offer: Row) -> Grid:
    """Return an offer's stock, item by item, with the chance when one is missing."""
    less = {(row["cache"], row["item"]): row for row in offer["one_less"]}
    rows = []
    for row in offer["stock"]:
        one = less.get((row["cache"], row["item"]))
        rows.append((
            row["cache"], row["item"], str(row["count"]), str(min(row["held"], row["count"])),
            money(document, max(0, row["count"] - row["held"]) * row["price"]),
            "" if one is None else f"{share(one['chance'])} %: {one['word']}",
        ))  # fmt: skip
    heads = ("Cache", "Item", "Number", "There already", "To buy", "With one less")
    return Grid(
        f"Stock, {called(document, offer['name'])}", heads, tuple(rows), frozenset({2, 3, 4})
    )


def loads_grid(document: Document, offer: Row) -> Grid:
    """Return an offer by load, each complete in itself."""
    has_caches = len(document["study"]["caches"]) > 1
    rows = tuple(
        ((f"{row['cache']} " if has_caches else "") + str(row["number"]), f"{row['mass_kg']:.1f}",
         ", ".join(map(_times, row["items"])))
        for row in offer["loads"]
    )  # fmt: skip
    title = f"By load, {called(document, offer['name'])}: each works alone"
    return Grid(title, ("Load", "Weighs, kg", "In it"), rows, frozenset({1}))


def cases_grid(document: Document, offer: Row) -> Grid:
    """Return an offer's chance in each case."""
    shares = {row["name"]: row["share"] for row in document["study"]["cases"]}
    rows = tuple(
        (row["case"], f"{share(shares[row['case']])} %", _chance(row)) for row in offer["by_case"]
    )
    heads = ("Incident", "Counts", "Anyone runs out")
    return Grid(f"By incident, {called(document, offer['name'])}", heads, rows, frozenset({1}))


def beside_grid(document: Document) -> Grid:
    """Return the offers beside the simple rules."""
    has_caches = len(document["study"]["caches"]) > 1
    rows = [
        (offer["name"], f"{offer['mass_kg']:.1f}", money(document, offer["price"]),
         _chance(offer), stock_words(offer["stock"], has_caches=has_caches))
        for offer in document["offers"] if same_as(document, offer["name"]) is None
    ]  # fmt: skip
    for rule in document["rules"]:
        words = rule["rule"] + ("" if rule["is_within"] else " (over the limits)")
        rows.append((
            words, f"{rule['mass_kg']:.1f}", money(document, rule["price"]), _chance(rule),
            stock_words(rule["stock"], has_caches=has_caches),
        ))  # fmt: skip
    heads = ("Stock or rule", "Weighs, kg", "To buy", "Anyone runs out", "What")
    return Grid("Beside simple rules", heads, tuple(rows), frozenset({1, 2}))


def frontier_grid(document: Document) -> Grid:
    """Return the frontier: less chance for more weight."""
    has_caches = len(document["study"]["caches"]) > 1
    rows = tuple(
        (f"{point['mass_kg']:.1f}", money(document, point["price"]), _chance(point),
         stock_words(point["stock"], has_caches=has_caches))
        for point in document["frontier"]
    )  # fmt: skip
    heads = ("Weighs, kg", "To buy", "Anyone runs out", "What")
    return Grid("Chance against weight and price", heads, rows, frozenset({0, 1}))


def changes_grid(document: Document, title: str, rows: Sequence[Row], head: str) -> Grid:
    """Return changes with what they do to the chance, and what they weigh and cost."""
    has_cost = any(row["mass_kg"] or row["price"] for row in rows)
    heads = [head, "Anyone then", "Change, points"]
    heads += ["More kg", "More to pay", "Within limits"] if has_cost else []
    made = []
    for row in rows:
        chance = estimate_of(row["anyone"])
        cells = [row["what"], percent(chance), difference_words(estimate_of(row["by"]))]
        if has_cost:
            cells += [f"{row['mass_kg']:.1f}", money(document, row["price"]),
                      "yes" if row["is_within"] else "no"]  # fmt: skip
        made.append(tuple(cells))
    return Grid(title, tuple(heads), tuple(made), frozenset({3, 4}) if has_cost else frozenset())


def sizes_grid(document: Document) -> Grid:
    """Return what each size is worth, and how often it must be changed."""
    flows = [row["flow_lpm"] for row in document["sizes"][0]["swaps_an_hour"]] if document[
        "sizes"] else []  # fmt: skip
    currency = document["study"]["currency"]
    heads = ("Size", "Usable L", "L a kg", f"L a {currency}",
             *(f"Swaps an hour at {flow:g} L/min" for flow in flows))  # fmt: skip
    rows = tuple(
        (row["item"], f"{row['usable_l']:.0f}", f"{row['litres_a_kg']:.0f}",
         "" if row["litres_a_price"] is None else f"{row['litres_a_price']:.1f}",
         *("never lasts" if s["swaps"] is None else f"{s['swaps']:.1f}"
           for s in row["swaps_an_hour"]))
        for row in document["sizes"]
    )  # fmt: skip
    title = "Sizes, in the coldest air of the first incident, down to the change pressure"
    return Grid(title, heads, rows, frozenset(range(1, len(heads))))


def size_lines(document: Document) -> tuple[str, ...]:
    """Return why weight hardly chooses between some sizes, where it is so."""
    sizes = document["sizes"]
    best = max((row["litres_a_kg"] for row in sizes), default=0.0)
    close = [row["item"] for row in sizes if row["litres_a_kg"] * CLOSE >= best]
    return (f"{joined(close)}: {SWAPS_DECIDE}",) if len(close) > 1 else ()


def binds_line(document: Document) -> str:
    """Return what runs short first, of what a clear gain was seen for."""
    clear = [row for row in document["binds"] if is_clear(estimate_of(row["by"]))
             and row["by"]["value"] < 0]  # fmt: skip
    if not document["binds"]:
        return "What binds was not worked out."
    if not clear:
        return "More of no one kind of thing clearly lowers the chance."
    return f"{_sentence(joined(row['what'] for row in clear))} bind, most first."


def next_line(document: Document) -> str:
    """Return what the next purchase should be: most chance taken away, within the limits."""
    clear = [row for row in document["next_best"] if is_clear(estimate_of(row["by"]))
             and row["by"]["value"] < 0]  # fmt: skip
    within = [row for row in clear if row["is_within"]]
    if not within:
        over = f"; over the limits {clear[0]['what']} would" if clear else ""
        return f"No single item more within the limits clearly lowers the chance{over}."
    best = within[0]
    price = f"for {money(document, best['price'])} and " if best["price"] else "of "
    return (
        f"Next best to {'buy' if best['price'] else 'add'}: 1 x {best['what']} {price}"
        f"{best['mass_kg']:.1f} kg: {difference_words(estimate_of(best['by']))}."
    )


def holds_grid(document: Document) -> Grid:
    """Return the chance by number of oxygen patients in each case."""
    rows = tuple(
        (one["case"], str(row["patients"]), _chance(row),
         "yes" if row["patients"] <= one["patients"] else "no")
        for one in document["holds"] for row in one["chances"]
    )  # fmt: skip
    heads = ("Incident", "Oxygen patients", "Anyone runs out", "Holds")
    return Grid("How many it holds", heads, rows, frozenset({1}))


def shown_offers(document: Document) -> list[Row]:
    """Return the offers without those that are the same stock as an earlier one."""
    return [o for o in document["offers"] if same_as(document, o["name"]) is None]


def beside_grids(document: Document) -> list[Grid]:
    """Return all tables after those of the stocks; what was not worked out is left out."""
    found = [
        beside_grid(document),
        frontier_grid(document),
        changes_grid(document, "What binds: with more of each kind of thing (two more of every "
                     "item, two more hands)", document["binds"], "More"),
        changes_grid(document, "The next best item to buy: one more of each",
                     document["next_best"], "Item"),
        changes_grid(document, "What if", document["what_ifs"], "What"),
        sizes_grid(document), holds_grid(document),
    ]  # fmt: skip
    return [one for one in found if one.rows]


def run_line(document: Document) -> str:
    """Return what is needed to make it again."""
    run = document["run"]
    samples = run["samples"]
    versions = ", ".join(f"{name} {number}" for name, number in run["versions"].items())
    return (
        f"Seed {run['seed']}; samples a case: {samples['model']:,} for the model, "
        f"{samples['choosing']:,} to choose on, {samples['fresh']:,} fresh for every chance told. "
        f"{versions}; {counted(run['cores'], 'core')}."
    )


def notes(document: Document) -> tuple[str, ...]:
    """Return what is to be said besides."""
    stopped = () if document["run"]["is_complete"] else (FINISH,)
    is_over = any(offer["word"] == "over the target" for offer in document["offers"])
    few = (FEW,) if document["is_reachable"] and is_over else ()
    return (*stopped, *few, *limit_lines(document), *size_lines(document), LIMITED)


def cache_text(document: Document) -> str:
    """Return a study's answer for a terminal."""
    out = StringIO()
    console = console_to(out)
    study = document["study"]
    lines(console, (document["banner"], f"Cache: {study['name']}", ""))
    lines(console, (first_line(document), target_line(document), cost_line(document), ""))
    grid(console, offers_grid(document))
    for offer in shown_offers(document):
        for content in (loads_grid(document, offer), stock_grid(document, offer)):
            if content.rows:
                grid(console, content)
    lines(console, (binds_line(document), next_line(document), ""))
    grid(console, cases_grid(document, main_offer(document)))
    for content in beside_grids(document):
        grid(console, content)
    section(console, "Notes", notes(document))
    section(console, "Taken as usual, because the file does not say", document["assumptions"])
    lines(console, (run_line(document), document["banner"]))
    return out.getvalue()

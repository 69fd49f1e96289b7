"""How this is computed, for people who ask: used by the page; plain text, no markup."""

from __future__ import annotations

from typing import Final

from planner.incident import LEG_MARGIN, POWER_CHANGE_MIN

CHANCE_MEANS: Final = (
    "Some 20,000 times the planner draws who is found when, when transport comes, what is "
    "really in each cylinder and what each dial really gives, and plays the plan through "
    "by fixed rules. The chance is the share of those runs in which anyone who should have "
    "oxygen is without it for any time; the gap of a swap does not count.",
    "The interval beside it (95 %) says how far so many runs may be off. It says nothing "
    "about times, categories or readings that are wrong in the file: the chance is as good "
    "as those, and no better.",
    "It is not the chance that somebody dies, and not a forecast of the weather. People "
    "who wait for the same transport are late together; nothing else is tied together.",
)

SECTIONS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    (
        "What the chance means",
        CHANCE_MEANS,
    ),
    (
        "What a cylinder gives",
        (
            "Content by real gas: density of oxygen at gauge plus one atmosphere and the "
            "temperature of the reading (Schmidt and Wagner 1985), times the water volume, in "
            "litres at 70 F and 1 atm. Usable is what lies above the change pressure at the "
            "temperature of use. The handbook's factor (litres a psi) stands beside it.",
            "Litres = water volume x density at (gauge + 1 atm, temperature) / density at (1 atm, "
            "70 F). Usable = litres at the gauge less litres at the change pressure. By the "
            "handbook: litres = factor x psi.",
            "Minutes = usable litres / flow. A cold cylinder reads less and holds the same.",
        ),
    ),
    (
        "What a crew does, minute by minute",
        (
            "A swap is due when the gauge comes to the change pressure. Who is due or without a "
            "cylinder is served by category, then need (or need first, where the file says so), "
            "then who has waited longest. First connections of people who are there take no time "
            "and no hands; a bag-valve-mask holds two responders, one with an airway device.",
            "A swap needs one free responder at that place, a key where the valve needs one, a "
            "washer where it needs one, and a cylinder of that connection that is there by then "
            "(carrying takes the file's minutes). It keeps the responder busy for the swap time.",
            "The next cylinder is the first one on the printed list that fits, is there, and is "
            "not kept for a higher category or promised to somebody. Between change pressure and "
            "safe residual oxygen goes on only while hands are awaited; below it nobody breathes.",
            "Who leaves takes cylinder, regulator and mask along unless the file says that kit "
            "comes back.",
        ),
    ),
    (
        "How the plan is found",
        (
            "First a solver (CP-SAT) chooses for everyone an option, a first cylinder and the kit "
            "to go with it, so that prices of lower levels, waiting and expected litres short are "
            "least; it proves how far from the least it may be.",
            "Then options, first cylinders, the order of the list and what is kept for whom are "
            "changed one at a time; each change is played through on 2,000 common runs and kept if "
            "it is better. The simple rules are among the starts, so the plan is never worse than "
            "they are on those runs. This step has no proof of being the best.",
            "All chances shown come from 20,000 fresh runs that no choice has seen.",
            "Better means less of: 9/13 of the chance that an Immediate runs out, 3/13 that an "
            "Immediate or Delayed does, 1/13 that anyone does, minutes out weighed by category, "
            "and a small price for every level below first choice. The file can set these. As a "
            "formula: J = sum over tiers of weight x chance that anyone in the tier or above runs "
            "out, + sum over people of price x minutes out, + sum of prices of lower levels.",
        ),
    ),
    (
        "Planning on from the middle",
        (
            "What is so then comes from what you say (who has gone, gauges, what is on) and, where "
            "you say nothing, from the beginning; the page fills in what the plan expects. "
            "Transports are drawn given that whoever is here is still here.",
            "The plan in force goes on as it is unless a change gains more than its price (the "
            "file's change price, in the same J). Each change is then undone alone on the same "
            "fresh runs: that is the number behind 'without it'.",
        ),
    ),
    (
        "What would help, and what to ask for",
        (
            "Each thing is added alone to the plan, on the same runs, so that the difference is "
            "its own; then the plan is made again with it, and compared with the plan made again "
            "without it, since planning longer helps a little by itself. Where the interval of a "
            "difference holds 0, no difference is said to be clear.",
            "The request is the lightest set of full cylinders, of sizes the incident has, that "
            "brings the chance of anyone running out under the target, and the latest minute up "
            "to which that holds. 'Request by' is that minute less the minutes of travel.",
        ),
    ),
    (
        "Best any plan could do",
        (
            "All litres of a connection in one heap, hands never late, the future known. In the "
            "share of runs shown even that is not enough. No plan whose swaps begin when they are "
            "due can be better (a late swap breathes oxygen below the change pressure, which is "
            "not counted); a plan may be far above it, since half-full cylinders leave with their "
            "patients, carrying takes time, "
            "and nobody knows the future.",
        ),
    ),
    (
        "Several on one cylinder, and concentrators",
        (
            "A regulator with several outlets feeds as many people at its place from one cylinder: "
            "it empties at the sum of their flows, and one swap serves all. Whoever comes later "
            "may take a free outlet, without a key, washer or cylinder of their own. Never two "
            "people off one outlet.",
            "A concentrator feeds one mask without a reservoir for as long as its power lasts, at "
            f"any of its flows. A swap is due {POWER_CHANGE_MIN:g} min before (common practice, "
            "no source). It stays where it stands when its patient leaves.",
        ),
    ),
    (
        "Carried from place to place",
        (
            "Somebody with legs to go leaves when the time has come and the cylinder holds "
            f"{LEG_MARGIN:g} times what flows on the leg above the safe residual (common "
            "practice, no source); else it is swapped first, and where nothing is there to swap "
            "to, the patient leaves all the same. On a leg nothing is swapped: a cylinder that "
            "comes to the change pressure is breathed down to the safe residual. Whoever bags "
            "goes along. Transport that comes meanwhile waits for the end of the leg.",
        ),
    ),
    (
        "What is left out",
        (
            "Several cylinders on one regulator, those who carry as hands that are missing, and "
            "what a patient's course does to the need, other than by the phases of an option.",
            "Whether a reduction is right for somebody: the options are an example protocol until "
            "a medical director has approved them for this use.",
        ),
    ),
)

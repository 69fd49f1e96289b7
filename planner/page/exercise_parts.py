"""What the screens of an exercise share: who may see what, the clock, commands, the stop."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal

import streamlit as st

from planner.errors import InputError
from planner.exercise import keeping
from planner.exercise.keeping import Access, Seen
from planner.exercise.run import STOPPED, EventKind
from planner.page import look, session
from planner.store import StoreError, new_command_id

LINK: Final = "link"
HEARTBEAT_S: Final = 2  # our own: what is said stands on every screen within that
UNKNOWN: Final = "This link opens nothing. Ask whoever runs the exercise for the one that does."
STOP: Final = "STOP - REAL EMERGENCY - exercise stopped here"
FAULTS: Final = "exercise_faults"  # what was refused last; said until the next command
STYLE: Final = """<style>
.op-clock { display: flex; flex-wrap: wrap; gap: .2rem 1rem; align-items: baseline; margin: 0; }
.op-clock b { font-size: 2rem; font-variant-numeric: tabular-nums; }
.op-stop { background: #8c1d18; color: #fff; font-size: 1.6rem; font-weight: 700; padding: 1rem;
  text-align: center; border-radius: .3rem; }
.op-close { font-size: .86rem; }
.op-close th, .op-close td { padding: .2rem .5rem .2rem 0; overflow-wrap: break-word !important; }
.op-inject { border: 1px solid color-mix(in srgb, currentColor 35%, transparent); margin: .2rem 0;
  border-left: .4rem solid #1f6feb; padding: .4rem .7rem; overflow-wrap: anywhere; }
.op-inject.due { border-left-color: #d98a00; }
.op-inject p { margin: .1rem 0; }
.op-inject .said { font-size: 1.1rem; }
[class*="st-key-stop_real"] button { min-height: 3.6rem; font-weight: 700; width: 100%;
  background: #8c1d18 !important; color: #fff !important; border-color: #8c1d18; }
[class*="st-key-ex-"] button { min-height: 3rem; }
</style>"""


def access_now() -> Access | None:
    """Return what the link in the address opens; looked up in the store each time."""
    return keeping.role_of(session.store(), st.query_params.get(LINK))


def seen_now(role: Literal["controller", "players"]) -> tuple[Access, Seen] | None:
    """Return a run as it stands, or None (and one line) where the link no longer opens it."""
    try:
        access = access_now()
        if access is not None and access.role == role:
            return access, keeping.look(session.store(), access.run)
    except StoreError as error:
        look.line(f"The store cannot be read: {error}")
        return None
    look.line(UNKNOWN)
    return None


def do(
    run: str, kind: EventKind, command_id: str, data: Mapping[str, Any] | None = None
) -> bool:  # fmt: skip
    """Do a command, once for its id; what is wrong with it is said at the next drawing."""
    st.session_state.pop(FAULTS, None)
    try:
        access = access_now()  # the link may have been taken away since the button was drawn
        is_allowed = access is not None and access.run == run
        if access is None or not is_allowed or not (access.role == "controller" or kind == STOPPED):
            st.session_state[FAULTS] = UNKNOWN
            return False
        keeping.command(session.store(), run, kind, command_id, data)
    except InputError as error:
        st.session_state[FAULTS] = error.faults
    except StoreError as error:
        st.session_state[FAULTS] = f"Nothing was written: {error}"
    else:
        return True
    return False


def pressed(
    run: str, kind: EventKind, command_id: str, data: Mapping[str, Any] | None = None
) -> None:  # fmt: skip
    """Do a command for a button."""
    do(run, kind, command_id, data)


def told() -> None:
    """Say what was refused last."""
    found = st.session_state.get(FAULTS)
    if isinstance(found, str):
        look.line(found)
    elif found:
        look.faults(found)


def button(
    words: str, run: str, kind: EventKind, data: Mapping[str, Any] | None = None, **more: Any
) -> None:  # fmt: skip
    """Draw a button for a command; its command id is made here, so a second click is the same."""
    key = f"ex-{words.replace(' ', '_')}"
    st.button(words, key=key, width="stretch", on_click=pressed,
              args=(run, kind, new_command_id(), data), **more)  # fmt: skip


def stop_button(run: str, who: str) -> None:
    """Draw the stop for a real emergency: at once, nothing is asked."""
    st.button("STOP: real emergency", key="stop_real", width="stretch",
              on_click=pressed, args=(run, STOPPED, new_command_id(), {"why": who}))  # fmt: skip


def show_stop() -> None:
    """Say over everything that it is stopped."""
    look.put(f'<div class="op-stop" role="alert">{look.escape(STOP)}</div>')


def show_clock(clock: Mapping[str, Any], *, has_slept: bool = False) -> None:
    """Draw the clock of what players know: time, minute, whether it runs and how fast."""
    words = "over" if clock["is_ended"] else "running" if clock["is_running"] else "paused"
    speed = f", {clock['speed']:g} times as fast" if clock["speed"] != 1 else ""
    look.put(
        f'<p class="op-clock" role="timer"><b>{look.escape(clock["time"])}</b>'
        f"<span>minute {clock['minute']:.1f}, {words}{speed}</span></p>"
    )
    if has_slept and not clock["is_running"]:
        look.line("Paused by itself: the machine slept, nobody played meanwhile.")


def table(
    heads: Sequence[str], rows: Iterable[Sequence[object]], numeric: Iterable[int] = ()
) -> None:  # fmt: skip
    """Show a table that fits half a screen: as `look.table`, never made wider than its words."""
    right = frozenset(numeric)

    def row(values: Sequence[object], tag: str) -> str:
        return "".join(
            f"<{tag}{' class=n' if k in right else ''}>{look.escape(value)}</{tag}>"
            for k, value in enumerate(values)
        )

    body = "".join(f"<tr>{row(values, 'td')}</tr>" for values in rows)
    look.put(look.scrolled(
        f'<table class="op-table op-close"><thead><tr>{row(heads, "th")}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    ))  # fmt: skip


def inject_html(
    head: str, text: str, more: Iterable[tuple[str, str]] = (), *, is_due: bool = False
) -> str:  # fmt: skip
    """Return an inject as a card; every text is escaped here."""
    lines = "".join(
        f"<p class='op-small'>{look.escape(name)}: {look.escape(words)}</p>"
        for name, words in more if words
    )  # fmt: skip
    return (
        f'<div class="op-inject{" due" if is_due else ""}"><p><b>{look.escape(head)}</b></p>'
        f'<p class="said">{look.escape(text)}</p>{lines}</div>'
    )

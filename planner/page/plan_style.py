"""How the plan looks: twelve people and the key figures on one screen of 1280 by 800."""

from __future__ import annotations

from typing import Final

STYLE: Final = """<style>
.op-front p { margin: .1rem 0; line-height: 1.3; overflow-wrap: anywhere; }
.op-front .title { font-size: .86rem; opacity: .85; }
.op-front .first { font-size: 1.25rem; font-weight: 700; }
.op-front .chance { font-size: 1.1rem; font-weight: 600; }
.op-front .label, .op-old { font-weight: 700; border-left: .35rem solid #d98a00;
  padding: .15rem .6rem; background: color-mix(in srgb, currentColor 7%, transparent); margin: 0; }
.board, .grid { border-collapse: collapse; width: 100%; font-size: .86rem; line-height: 1.2; }
.grid caption { text-align: left; font-weight: 600; padding: .2rem 0; }
.board th, .board td, .grid th, .grid td { text-align: left; vertical-align: top;
  padding: .2rem .5rem .2rem 0; overflow-wrap: break-word; max-width: 22rem;
  border-bottom: 1px solid color-mix(in srgb, currentColor 22%, transparent); }
.board .clock, .board tbody th { font-weight: 700; }
.board .clock, .board .category, .board thead th { white-space: nowrap; }
.grid td:first-child { min-width: 7rem; }
.board .number, .grid .number { text-align: right; white-space: nowrap; }
.board .mark { display: inline-block; width: 1.1em; text-align: center; }
.board tr.waiting { background: color-mix(in srgb, #d92d20 16%, transparent); font-weight: 700; }
.board tr.awaited td, .board tr.awaited th { font-style: italic; }
.board tr.none { opacity: .78; }
.op-two { display: grid; grid-template-columns: minmax(0, 13fr) minmax(0, 8fr); gap: 0 1.4rem; }
@media (max-width: 1000px) { .op-two { grid-template-columns: minmax(0, 1fr); } }
.op-beside p { margin: .1rem 0 .35rem; font-size: .86rem; line-height: 1.25; }
.op-scroll { overflow-x: auto; }
@media (max-width: 640px) {
  .grid th, .grid td { padding-right: .3rem; }
  .grid td:first-child { min-width: 0; }
  .board thead { position: absolute; left: -999rem; }
  .board tr { display: block; border-bottom: 2px solid color-mix(in srgb, currentColor 40%,
    transparent); padding: .25rem 0; }
  .board th, .board td { display: inline-block; border: 0; padding: 0 .6rem .1rem 0; }
  .board .clock:not(:empty)::before { content: "change by "; font-weight: 400; }
  .board .number:not(:empty)::before { content: "runs out "; }
}
</style>"""

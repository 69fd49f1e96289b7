"""A stock inspected: what a full one reads in the cold, what is told, what is to be brought."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.banner import BANNER
from planner.cli import main
from planner.errors import InputError
from planner.inspection import (
    Inspection,
    Rules,
    Wanted,
    full_gauge,
    inspect,
    stock_rows,
    wanted_from,
)
from planner.report.inspection_words import inspection_html, inspection_text
from planner.units import Pressure, Temperature

ON = date(2026, 11, 25)
HEAD = "tag,size,gauge_psi,read_at_c,status,place,seal,washer,key,requalified_on,note\n"
GOOD = "H-01,D,2000,20,full,hut,yes,yes,yes,2024-05-01,\n"


def found(*rows: str, wanted: tuple[Wanted, ...] = (), **rules: object) -> Inspection:
    return inspect(stock_rows(HEAD + "".join(rows)), wanted, Rules(on=ON, **rules))  # type: ignore[arg-type]


def words(row: str, **rules: object) -> list[str]:
    (one,) = found(row, **rules).cylinders
    assert one.is_ready == (not {"short", "low", "due", "missing"} & {r.word for r in one.remarks})
    return [f"{r.word}: {r.text}" for r in one.remarks]


def test_a_full_one_reads_less_in_the_cold() -> None:
    # Full is 2015 psi at 21.1 C (the table); an ideal gas would read 2030 psi absolute by 253.15 /
    # 294.25 less 1 atm, 1731, at -20; oxygen reads less than that, as job.md says (about 1600).
    assert full_gauge("D", Temperature(21.1, "C")).psi == pytest.approx(2015, abs=0.5)
    cold = full_gauge("D", Temperature(-20.0, "C")).psi
    assert 1580 < cold < 1680
    assert full_gauge("E", Temperature(-20.0, "C")).psi < full_gauge("E", Temperature(0, "C")).psi


def test_what_is_in_order_and_what_is_not() -> None:
    assert words(GOOD) == []
    # The same reading, taken in the cold: it is over full there, so nothing is short.
    assert words(GOOD.replace("2000,20", "1640,-15")) == []
    # Twin: 1640 in the warm is 82 % of full, and labelled FULL.
    assert words(GOOD.replace("2000,20", "1640,20")) == [
        "short: 82 % of what a full one reads at this temperature", "odd: labelled FULL and is not",
    ]  # fmt: skip
    assert words(GOOD.replace("2000,20", "900,20"))[0] == (
        "low: under the ready-for-service minimum"
    )
    assert words(GOOD.replace("2000,20", "900,20"), ready=Pressure(800.0, "psi"))[0].startswith(
        "short: 45 %"
    )
    assert words(GOOD.replace("2000,20", "150,20"))[0].startswith("low: empty")
    assert words(GOOD.replace("full", "empty")) == ["odd: labelled EMPTY and is full"]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("hut,yes,", "hut,no,", "missing: seal broken"),
        ("yes,yes,yes", "yes,no,yes", "missing: no washer with it"),
        ("yes,yes,yes", "yes,yes,no", "missing: no key with it"),
        ("2024-05-01", "2021-11-25", "due: requalification was due 25 Nov 2026"),
        ("2024-05-01", "2022-01-10", "odd: requalification due 10 Jan 2027, soon"),
    ],
)
def test_one_thing_each(old: str, new: str, told: str) -> None:
    assert words(GOOD.replace(old, new)) == [told]


def test_years_and_the_twenty_ninth_of_february() -> None:
    leap = GOOD.replace("2024-05-01", "2024-02-29")
    assert found(leap).cylinders[0].due_on == date(2029, 2, 28)
    assert found(leap, years=8).cylinders[0].due_on == date(2032, 2, 29)


def test_what_is_to_be_brought() -> None:
    # Three good D, two of them in the hut; one E that is low. Wanted: 3 D in the hut, 1 D, 1 E.
    rows = [GOOD.replace("H-01", f"H-0{k}") for k in (1, 2)]
    rows += [GOOD.replace("H-01,D", "S-1,D").replace("hut", "shed"), "E-1,E,400,20,,hut,,,,,\n"]
    wanted = (Wanted("D", 1, ""), Wanted("D", 3, "hut"), Wanted("E", 1, ""))
    told = [remark.text for remark in found(*rows, wanted=wanted).restock]
    assert told == ["1 full D to hut, of 3 wanted", "1 full E, of 1 wanted"]
    # Twin: one more of each and nothing is.
    rows += [GOOD.replace("H-01", "H-09"), GOOD.replace("H-01,D,2000", "E-2,E,1990")]
    assert found(*rows, wanted=wanted).restock == ()


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 3000), st.integers(-40, 45), st.integers(0, 3000))
def test_more_in_it_is_never_worse(gauge: int, at_c: int, more: int) -> None:
    rank = {"low": 2, "short": 1}
    row = "H-01,D,{},{},,hut,yes,yes,yes,,\n"
    worst = [
        max((rank.get(r.word, 0) for r in found(row.format(psi, at_c)).cylinders[0].remarks),
            default=0)
        for psi in (gauge, min(3600, gauge + more))
    ]  # fmt: skip
    assert worst[1] <= worst[0]


def test_every_fault_at_once() -> None:
    with pytest.raises(InputError) as told:
        stock_rows(
            HEAD + "H-01,Q,2000,20,full,,,,,,\nH-01,D,x,20,mended,,,,,,\nH-2,D,1,2\n", "s.csv"
        )
    text = "\n".join(map(str, told.value.faults))
    for part in ("'Q'", "each tag once", "'x'", "MENDED", "4 cells"):
        assert part in text
    with pytest.raises(InputError, match="nothing"):
        stock_rows(HEAD)
    with pytest.raises(InputError):
        wanted_from("size,count\nD,-1\n")


def test_hostile_text_is_text() -> None:
    sheet = inspection_html(found(GOOD.replace("H-01", "<b>H</b>")))
    assert "<b>H</b>" not in sheet
    assert "&lt;b&gt;H&lt;/b&gt;" in sheet
    assert sheet.count(BANNER) >= 2
    assert "[b]" not in inspection_text(found(GOOD))


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stock, wanted, sheet = (tmp_path / n for n in ("stock.csv", "wanted.csv", "sheet.html"))
    stock.write_text(HEAD + GOOD)
    wanted.write_text("size,count,place\nD,2,hut\n")
    words = ["stock", str(stock), "--wanted", str(wanted), "--on", "2026-11-25"]
    assert main([*words, "--html", str(sheet)]) == 0
    text = capsys.readouterr().out
    assert "1 of 1 cylinder ready on 25 Nov 2026." in text
    assert "Bring 1 full D to hut, of 2 wanted" in text
    assert "1 of 1 cylinder ready" in sheet.read_text()
    assert main([*words, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["cylinders"][0]["is_ready"] is True
    sheet.unlink()
    assert main([*words, "--html", str(sheet), "--years", "0", "--on", "soon"]) == 2
    err = capsys.readouterr().err
    assert "--years" in err
    assert "--on" in err
    assert not sheet.exists()

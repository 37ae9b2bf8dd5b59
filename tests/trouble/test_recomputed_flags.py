"""Flags recomputed from exported rows by code that shares nothing with what raised them."""

from __future__ import annotations

import ast
import csv
import html
import json
import math
import re
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.http import HttpResponse
from scipy import stats

from core.accounts.actor import Actor
from core.models import Person
from faults.models import RecurrenceRun, TroubleFlag
from faults.selectors.run_rows import run_rows
from tests.api.asking import signed_in
from tests.pages.conftest import entered
from tests.trouble import figures_anew, recompute, rows_anew
from tests.trouble.figures_anew import Scan, adjusted
from tests.trouble.recompute import Anew, Flag
from tests.trouble.test_nights import night
from tests.trouble.varied import END, varied

pytestmark = pytest.mark.slow

DIGITS = 1e-7
NODES = 2e-3
"""How far the chances from the product's nodes may be from those from a fine grid."""

OWN_LOOSE = {"p": NODES, "q": NODES, "path_p": NODES}
RARE = 1e-7


def test_what_recomputes_shares_no_code_with_what_it_checks() -> None:
    for module in (recompute, figures_anew, rows_anew):
        tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
        named = [one.module or "" for one in ast.walk(tree) if isinstance(one, ast.ImportFrom)]
        named += [
            name.name for one in ast.walk(tree) if isinstance(one, ast.Import) for name in one.names
        ]
        ours = {name for name in named if name.split(".")[0] in ("core", "sites", "faults", "api")}
        others = {name for name in named if name.startswith("tests.")}
        assert not ours
        assert others <= {f"tests.trouble.{name}_anew" for name in ("rows", "figures")}


def test_flags_on_page_and_api_are_those_of_the_exported_rows(
    by: Actor, supervisor: Person
) -> None:
    varied(by)
    run = night(by, END)
    tables = dict(run_rows())
    anew = Anew(tables)
    ids = dict(TroubleFlag.objects.values_list("public_id", "path"))
    check_run(run, anew)
    machine, browser = signed_in(supervisor), entered(supervisor)
    listed = machine.get("/trouble-flags").json()["items"]
    told = {(str(ids[one["id"]]), one["kind"]): one for one in listed}
    flags = {(flag.path, flag.kind): flag for flag in anew.flags()}
    assert told.keys() == flags.keys()
    assert {kind for _, kind in flags} == {"place", "stretch"}
    shown_p = {
        path: one["evidence"]["p"] for (path, kind), one in told.items() if kind == "stretch"
    }
    for key, flag in flags.items():
        document = told[key]
        assert document["state"] == "raised"
        places = frozenset(next(iter(place.items())) for place in document["places"])
        assert places in flag.ties
        check_evidence(document["evidence"], flag)
        if flag.drawn is not None:
            check_drawn(document["evidence"], flag.drawn, anew, shown_p, flag.path)
        check_page(browser.get(f"/trouble/{document['id']}"), flag, document["evidence"])
    check_audit(machine.get("/audit/table?table=trouble-flags").content.decode(), flags, told)
    # A row that is wrong is seen, and so is a parameter.
    assert counted(Anew(without(tables, "findings", '""device"": ""D4""'))) != counted(anew)
    assert counted(Anew(without(tables, "events", ",lightning,"))) != counted(anew)
    narrow = tables["runs"].replace('""wet_days"": 3.0', '""wet_days"": 2.0')
    assert narrow != tables["runs"]
    assert counted(Anew(tables | {"runs": narrow})) != counted(anew)


@pytest.mark.django_db(transaction=True)
def test_the_command_writes_what_flags_are_worked_out_from(by: Actor, tmp_path: Path) -> None:
    """From its files alone the same flags come out, with their failures to the count."""
    varied(by)
    run = night(by, END)
    call_command("export_run_rows", run.public_id, tmp_path / "rows", stdout=StringIO())
    tables = {
        file.stem: file.read_bytes().decode() for file in sorted((tmp_path / "rows").glob("*.csv"))
    }
    assert tables == dict(run_rows())
    anew = Anew(tables)
    check_run(run, anew)
    told = {
        (row["path_id"], row["kind"]): row
        for row in csv.DictReader(StringIO(tables["flags"], newline=""))
    }
    flags = {(str(flag.path), flag.kind): flag for flag in anew.flags()}
    assert told.keys() == flags.keys()
    for key, flag in flags.items():
        evidence = json.loads(told[key]["evidence"])
        check_evidence(evidence, flag)
        assert len(json.loads(told[key]["findings"])) == flag.evidence["failures"]
    with pytest.raises(CommandError, match="There is no run"):
        call_command("export_run_rows", "rrun_none", tmp_path, stdout=StringIO())


def check_audit(text: str, flags: dict[tuple[str, str], Flag], told: dict[Any, Any]) -> None:
    """The audit's table of flags: the very ones, with what was worked out anew."""
    rows = {row["group"]: row for row in csv.DictReader(StringIO(text, newline=""))}
    assert rows.keys() == {one["id"] for one in told.values()}
    for key, flag in flags.items():
        row = rows[told[key]["id"]]
        assert int(row["failures"]) == flag.evidence["failures"]
        for name in ("expected", "ratio_low", "ratio_high"):
            assert float(row[name]) == pytest.approx(flag.evidence[name], rel=1e-6)
        for name in ("p", "q"):
            assert float(row[name]) == told[key]["evidence"][name]


def without(tables: dict[str, str], name: str, words: str) -> dict[str, str]:
    """The tables without the first row that holds some words."""
    lines = tables[name].split("\r\n")
    at = next(n for n, line in enumerate(lines) if words in line)
    return tables | {name: "\r\n".join(lines[:at] + lines[at + 1 :])}


def counted(anew: Anew) -> tuple[float, ...]:
    """What the figures rest on."""
    return (float(anew.counts.sum()), float(anew.exposed.sum()), float(anew.expected.sum()))


def check_run(run: RecurrenceRun, anew: Anew) -> None:
    """What a run says it saw."""
    assert run.paths == len(anew.paths)
    assert run.units == len(anew.units)
    assert run.failures == anew.counts.sum()
    assert (run.left_out, anew.left_out) == (1, 1)
    assert run.flags_found == len(anew.flags())


def check_evidence(evidence: dict[str, Any], flag: Flag) -> None:
    """Every figure that is not drawn at random."""
    drawn = {"draws", "p", "q"} if flag.drawn else set()
    assert evidence.keys() - drawn == flag.evidence.keys()
    for name, right in flag.evidence.items():
        if name == "peers":
            assert evidence["peers"].keys() == right.keys()
            for kind, own in right.items():
                assert evidence["peers"][kind] == pytest.approx(own, rel=1e-6), kind
        else:
            assert evidence[name] == pytest.approx(right, rel=OWN_LOOSE.get(name, DIGITS)), name


def check_drawn(
    evidence: dict[str, Any], own: Scan, anew: Anew, shown_p: dict[str, float], path: str
) -> None:
    """The scan: its statistic to the digits; its chance within what so many draws can be off; the
    adjusted one from the chances that are shown."""
    total = float(anew.failed[anew.paths.index(path)])
    inside, awaited = evidence["failures"], evidence["expected_of_path"]
    ratio = inside * math.log(inside / awaited)
    if total > inside:
        ratio += (total - inside) * math.log((total - inside) / (total - awaited))
    assert ratio == pytest.approx(own.ratio, rel=1e-6)
    low, high = own.limits()
    p, draws = evidence["p"], evidence["draws"]
    as_large = round(p * (draws + 1)) - 1
    if math.isclose(p * (draws + 1), as_large + 1) and as_large < 10:
        assert draws == 999
        assert stats.binom.ppf(RARE, draws, low) <= as_large
        assert as_large <= stats.binom.ppf(1 - RARE, draws, high)
    else:
        # Stopped at the tenth as large.
        assert p * draws == pytest.approx(10.0)
        assert stats.nbinom.ppf(RARE, 10, high) <= draws - 10 <= stats.nbinom.ppf(1 - RARE, 10, low)
    order = list(anew.scans)
    chance = [shown_p.get(one, anew.scans[one].chance) for one in order]
    assert evidence["q"] == pytest.approx(adjusted(chance)[order.index(path)], rel=1e-9)


RENEWAL = "Failures in the next 5 energised years, repairing"
RENEWED = "Renewed, as its peers"
PAYS_UP_TO = "Renewing pays up to the price of so many repairs"


def check_renewal(figures: dict[str, list[float]], own: dict[str, Any]) -> None:
    """Repair or renew, taken out of the page's figures: medians and limits of the gammas by scipy,
    within what 4,000 draws and rounding can be off; what renewing saves lies between."""
    repairing, renewed, saved = (figures.pop(name) for name in (RENEWAL, RENEWED, PAYS_UP_TO))
    ahead = 5.0 * 365.25 * own["expected"] / own["energised_days"]
    if own["spread"] == 0.0:
        assert repairing == renewed == pytest.approx([ahead] * 3, abs=0.051)
        assert saved == [0.0] * 3
        return
    shape = 1.0 / own["spread"]
    posterior = stats.gamma(shape + own["failures"], scale=1.0 / (shape + own["expected"]))
    for told, law in ((repairing, posterior), (renewed, stats.gamma(shape, scale=1.0 / shape))):
        for shown, share in zip(told, (0.5, 0.025, 0.975), strict=True):
            off = 4.0 * math.sqrt(share * (1.0 - share) / 4000)
            low, high = law.ppf(max(share - off, 0.0)), law.ppf(min(share + off, 1.0 - 1e-9))
            assert ahead * low - 0.051 <= shown <= ahead * high + 0.051
    assert saved[0] == pytest.approx(repairing[0] - renewed[0], abs=0.3 + 0.1 * repairing[0])


def check_page(answer: HttpResponse, flag: Flag, evidence: dict[str, Any]) -> None:
    """The page's figures are the recomputed ones, rounded; drawn ones those of the evidence."""
    body = answer.content.decode()
    figures = {
        html.unescape(re.sub(r"<[^>]+>", "", name)): [
            float(one) for one in re.findall(r"\d+(?:\.\d+)?", re.sub(r"<[^>]+>", " ", value))
        ]
        for name, value in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", body, re.DOTALL)
    }
    own = flag.evidence | {name: evidence[name] for name in ("p", "q")}
    metres = [(own["metres"], 0)] if own["metres"] else []
    wanted = {
        "Failures": [(own["failures"], 0)],
        "Peers expect": [(own["expected"], 3)],
        "Times as many, 95 % limits": [(own["ratio_low"], 1), (own["ratio_high"], 1)],
        "The same, drawn towards its peers": [
            (own[f"posterior_{name}"], 1) for name in ("ratio", "low", "high")
        ],
        "Energised": [(own["energised_days"], 0), *metres],
        "Chance of as much by luck": [(own["p"], 4), (own["q"], 4)],
    }
    check_renewal(figures, own)
    assert figures.keys() == wanted.keys()
    for name, right in wanted.items():
        assert len(figures[name]) == len(right), name
        for shown, (value, places) in zip(figures[name], right, strict=True):
            assert abs(shown - value) <= (0.5 + 1e-5) * 10.0**-places, name
    peers = re.search(r"Peers: (.*?)\.</p>", body)
    assert peers is not None
    counts = [own["peers"][kind]["units"] for kind in ("splice", "segment", "device")]
    assert [int(one) for one in re.findall(r"\d+", peers[1])] == counts

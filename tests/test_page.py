"""The page: whole, safe from names, readable without a network, and true to the results."""

from __future__ import annotations

import base64
import dataclasses
import itertools
import json
import math
import re
from html.parser import HTMLParser

import matplotlib as mpl
import numpy as np
import pytest

import fanstats as fs
from fanstats.output.page import write_page
from fanstats.output.page_next import next_steps, telling_plan
from fanstats.output.page_parts import budget_cases, cases_of, lead_sentences
from fanstats.planning.plan_words import plan_sentence
from tests.tables import power_law_rows, readings

SCRIPT = '<script>alert("x")</script>'
PRICED = "A & B 'quoted' $5 $x_1$"
LOUD = "日本 {{ 7*7 }} &amp;"
BESIDE = "https://example.org/a.png"
VOID = {"meta", "img", "source", "link", "br", "hr", "input"}
SPREAD = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"))
BENCH = fs.Bench(
    noise=fs.Instrument(shared=[fs.half_width(1.0)], reading=[fs.standard(0.1)]),
    speed=fs.Instrument(reading=[fs.standard(4.0)]),
    airflow=fs.Instrument(shared=[fs.half_width("3 %")], model=[fs.standard("0.5 %")]),
    spread=SPREAD,
)
MINIMAL = fs.Bench(spread=SPREAD)


class Page(HTMLParser):
    """What a page consists of: elements in order, with their attributes and text."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.text = [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        element = {
            "tag": tag,
            "attrs": dict(attrs),
            "text": "",
            "inside": [e["tag"] for e in self.open],
        }
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop()["tag"] == tag

    def handle_data(self, data):
        for element in self.open:
            element["text"] += data

    def all(self, *tags):
        return [element for element in self.elements if element["tag"] in tags]

    def texts(self, *tags):
        return [" ".join(element["text"].split()) for element in self.all(*tags)]

    def tables(self):
        """Tables as (caption, head, rows); a row is its name and its cells."""
        found = []
        for element in self.elements:
            words = " ".join(element["text"].split())
            if element["tag"] == "table":
                found.append(["", [], []])
            elif element["tag"] == "caption":
                found[-1][0] = words
            elif element["tag"] == "th" and element["attrs"]["scope"] == "col":
                found[-1][1].append(words)
            elif element["tag"] == "th":
                found[-1][2].append([words])
            elif element["tag"] == "td":
                found[-1][2][-1].append(words)
        return found


def chart(values, bench=MINIMAL, **more):
    """Estimates off a chart: the quickest there are."""
    settings = {"quantity": "airflow", "units": "fpm", "level": 36, "draws": 400, "rng": 1}
    return fs.from_chart(values, bench=bench, **{**settings, **more})


@pytest.fixture(scope="module")
def measured():
    """Four models with names that could break a page; one is too loud to be read."""
    return readings(
        power_law_rows(SCRIPT, airflow_at_900=450.0, room=22.0),
        power_law_rows(PRICED, airflow_at_900=447.0, room=22.0, unit="1"),
        power_law_rows(PRICED, airflow_at_900=449.0, room=22.0, unit="2"),
        power_law_rows(BESIDE, airflow_at_900=300.0, room=22.0),
        power_law_rows(LOUD, level_at_900=60.0, room=22.0),
    )


@pytest.fixture(scope="module")
def estimates(measured):
    return fs.equal_noise(measured, 33, bench=BENCH, draws=400, rng=1)


@pytest.fixture(scope="module")
def written(estimates, measured, tmp_path_factory):
    path = write_page(
        estimates, measured, BENCH, tmp_path_factory.mktemp("out") / "new", note="Made <up>."
    )
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(written):
    return Page(written)


def pictures(page):
    """Decoded SVG of every picture: (light, dark)."""
    sources = [element["attrs"]["srcset"] for element in page.all("source")]
    images = [element["attrs"]["src"] for element in page.all("img")]
    start = "data:image/svg+xml;base64,"
    assert all(uri.startswith(start) for uri in [*sources, *images])
    decoded = [base64.b64decode(uri.removeprefix(start)).decode() for uri in [*images, *sources]]
    return list(zip(decoded[: len(images)], decoded[len(images) :], strict=True))


def test_it_is_a_whole_document_with_one_heading_and_a_language(page, written):
    """Every element is closed; there is one h1; the language, the title and the width are said."""
    assert written.lstrip().startswith("<!DOCTYPE html>")
    assert page.texts("h1") == ["Fans side by side at equal noise (33 dBA)"]
    assert page.texts("title") == page.texts("h1")
    assert page.all("html")[0]["attrs"] == {"lang": "en"}
    assert any(meta["attrs"].get("name") == "viewport" for meta in page.all("meta"))
    assert all("main" in section["inside"] for section in page.all("section"))


def test_headings_come_in_the_order_of_a_readers_questions(page):
    """First the sentence, then the closest calls, then the picture; cautions stand last."""
    order = [element["tag"] for element in page.all("h1", "h2", "table", "img")]

    assert page.texts("h2") == [
        "The closest calls", "The picture", "The figures", "Where the uncertainty comes from",
        "Assumed and measured", "What was not considered", "What to buy next", "Cautions",
    ]  # fmt: skip
    assert order[:4] == ["h1", "h2", "h2", "img"]
    levels = [int(element["tag"][1]) for element in page.all("h1", "h2", "h3", "h4")]
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_a_reader_who_hears_the_page_gets_all_of_it(page):
    """Pictures have words, tables captions and scopes, regions names; ids are unique and there."""
    ids = [element["attrs"]["id"] for element in page.elements if "id" in element["attrs"]]

    assert all(len(image["attrs"]["alt"]) > 40 for image in page.all("img"))
    assert len(page.all("table")) == len(page.all("caption"))
    assert all(head["attrs"].get("scope") in ("row", "col") for head in page.all("th"))
    assert all(
        region["attrs"]["tabindex"] == "0" and region["attrs"]["aria-label"]
        for region in page.all("div")
        if region["attrs"].get("role") == "region"
    )
    assert sorted(ids) == sorted(set(ids))
    assert {section["attrs"]["aria-labelledby"] for section in page.all("section")} == set(ids)


def test_every_table_scrolls_in_a_box_of_its_own(page):
    """A wide table makes no telephone scroll the whole page."""
    boxes = [box for box in page.all("div") if box["attrs"].get("class") == "scroll"]

    assert len(boxes) == len(page.all("table")) > 4


def test_it_needs_no_network_and_runs_nothing(page, written):
    """No script, no link, no address but data of its own; the browser is told to allow no more."""
    (policy,) = [m["attrs"]["content"] for m in page.all("meta") if "http-equiv" in m["attrs"]]

    assert not page.all("script", "link", "iframe", "object", "embed", "form", "a", "base", "use")
    for element in page.elements:
        assert not [name for name in element["attrs"] if name.startswith("on") or name == "style"]
        for name in ("src", "href", "srcset", "action", "poster"):
            assert element["attrs"].get(name, "data:").startswith("data:")
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    assert not re.search(r"url\(|@import", page.all("style")[0]["text"])


def test_pictures_hold_no_address_either(page):
    """Inside the images nothing points out of them; names of XML vocabularies are no addresses."""
    for svg in (svg for pair in pictures(page) for svg in pair):
        assert "<script" not in svg
        links = re.findall(r'(?:href|src)="([^"]*)"', svg)
        assert all(link.startswith("#") for link in links)


def test_names_are_text_whatever_they_contain(page, written):
    """Markup, quotes, template signs and dollars of a name come out as they went in."""
    text = "".join(page.texts("main"))
    alts = " ".join(image["attrs"]["alt"] for image in page.all("img"))

    assert not page.all("script")
    assert SCRIPT not in written
    for name in (SCRIPT, PRICED, LOUD, BESIDE):
        assert name in text
    assert SCRIPT in alts
    assert PRICED in alts
    assert page.texts("p")[0] == "Made <up>."


def test_pictures_come_for_light_and_for_dark(page):
    """Each image has a dark sister with another ground, shown where the reader prefers dark."""
    found = pictures(page)

    assert len(found) == 5  # two rankings, curves, a plan, a second test
    assert {element["attrs"]["media"] for element in page.all("source")} == {
        "(prefers-color-scheme: dark)"
    }
    for light, dark in found:
        assert "#15191d" in dark
        assert "#15191d" not in light
        assert PRICED.split("$", maxsplit=1)[0].replace("&", "&amp;") in light  # text stays text


def contrast(one, other):
    """Contrast of two colours (WCAG 2.2)."""

    def luminance(colour):
        rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_can_be_read_in_both_colourings(page):
    """Ink and faint ink stand off their grounds by 4.5:1, the mark of the focus by 3:1."""
    schemes = re.findall(r":root \{([^}]*--paper[^}]*)\}", page.all("style")[0]["text"])

    assert len(schemes) == 2
    for scheme in schemes:
        colour = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", scheme))
        for ground in (colour["paper"], colour["wash"]):
            assert contrast(colour["ink"], ground) >= 7
            assert contrast(colour["faint"], ground) >= 4.5
        assert contrast(colour["mark"], colour["paper"]) >= 3
    assert ":focus-visible" in page.all("style")[0]["text"]


def test_the_sentence_says_who_is_first_with_odds_and_whether_it_is_settled(page, estimates):
    """A lead is never told alone."""
    (lead,) = [p for p in page.all("p") if p["attrs"].get("class") == "lead"]
    ranking = fs.rank(estimates, quantity="airflow", obstruction="none")

    assert lead["text"].startswith(
        "By airflow at equal noise (33 dBA), for the typical one: "
        f"{ranking.ranked[0]} stands first of 3 models with none ({ranking.label} that it is best: "
    )
    assert "The first place is not settled with any of them." in lead["text"]
    assert "Tested: 3 models with 1 sample each and 1 model with 2 samples." in page.texts("p")


def test_the_closest_call_is_there_with_what_all_calls_rest_on(page, estimates):
    """The pair, its range and odds; what is assumed for all is said once."""
    ranking = fs.rank(estimates, quantity="airflow", obstruction="wire mesh")
    call = ranking.closest_call()
    entry = next(
        div["text"]
        for div in page.all("div")
        if div["text"].strip().startswith("Airflow, obstruction: wire mesh")
    )
    said = " ".join(entry.split())

    assert f"{call.ahead} minus {call.behind} is " in said
    assert "95 times in 100" in said
    assert f"that {call.ahead} is ahead" in said or f"that {call.behind} is ahead" in said
    assert "Assumed" not in said
    assert "Each range allows for the pair being picked from the chart." in page.texts("main")[0]
    assert page.texts("main")[0].count("Assumed in all of them: sample luck in noise") == 1


def test_the_ranking_table_has_the_figures_of_the_ranking(page, estimates):
    """Values, ranges of all three scopes and places as `rank` and `summary` have them."""
    ranking = fs.rank(estimates, quantity="airflow", obstruction="none")
    whole = fs.summary(estimates)
    caption, head, rows = page.tables()[0]

    assert caption == (
        "Airflow, obstruction: none [fpm], ranked for the typical one; ranges and places "
        "95 times in 100"
    )
    assert head == [
        "Model", "Place", "Value [fpm]", "Range for comparing", "Whole range, this sample",
        "Whole range, the typical one", "Whole range, the one you would buy",
        f"{ranking.label.capitalize()} that it is best, in 100", "Places", "Samples",
    ]  # fmt: skip
    assert [row[0] for row in rows] == list(ranking.table["model"])
    for row, expected in zip(rows[:3], ranking.table.to_dict("records"), strict=False):
        mine = whole[(whole["model"] == row[0]) & (whole["obstruction"] == "none")
                     & (whole["quantity"] == "airflow")].set_index("scope")  # fmt: skip
        assert float(row[2]) == pytest.approx(expected["value"], abs=0.5)
        ends = [(expected["band_low"], expected["band_high"])] + [
            (mine.loc[scope, "low"], mine.loc[scope, "high"])
            for scope in ("tested unit", "model", "next unit")
        ]
        for cell, (low, high) in zip(row[3:7], ends, strict=True):
            printed = [float(end) for end in cell.split(" to ")]
            assert printed == pytest.approx([low, high], abs=0.51)
        assert row[8] == (
            f"{expected['rank_low']}" if expected["rank_low"] == expected["rank_high"]
            else f"{expected['rank_low']} to {expected['rank_high']}"
        )  # fmt: skip
        assert row[9] == str(expected["units_tested"])


def test_a_model_without_a_place_keeps_its_row_and_reason(page):
    """It stands last, and why."""
    row = page.tables()[0][2][-1]

    assert row[0] == LOUD
    assert row[1].startswith("no place: below range: ")


def test_the_square_of_pairs_is_whole_and_its_mirror_fits(page):
    """Every ordered pair has a chance; a cell and its mirror make 100."""
    caption, head, rows = next(table for table in page.tables() if "in 100, that" in table[0])

    assert "that the row's typical sample moves more air than the column's" in caption
    assert head[1:] == [row[0] for row in rows]
    assert all(rows[k][k + 1] == "–" for k in range(3))

    def hundredths(text):
        return {"> 99": 100.0, "< 1": 0.0}.get(text) or float(text.strip("<> "))

    for row, column in ((0, 1), (0, 2), (1, 2)):
        pair = hundredths(rows[row][column + 1]) + hundredths(rows[column][row + 1])
        assert pair == pytest.approx(100.0, abs=5.0)  # 400 draws are told in twentieths


def test_a_budget_adds_up_in_the_columns_of_the_guide(page):
    """Contributions make the combined uncertainty; columns as in JCGM 100:2008, Table H.1."""
    _, head, rows = next(table for table in page.tables() if table[1][0] == "Component")
    parts = [float(row[4]) for row in rows[:-1]]

    assert head == ["Component", "Source", "Standard uncertainty u(x)", "Sensitivity c",
                    "Contribution |c| u(x) [fpm]", "Degrees of freedom", "Share"]  # fmt: skip
    assert rows[-1][0] == "u_c, all together"
    # Two significant digits in every row: the sum is good to half a unit of the second.
    assert math.sqrt(sum(part**2 for part in parts)) == pytest.approx(float(rows[-1][4]), rel=0.05)
    assert sum(name.startswith("sample luck in noise") for name, *_ in rows) == 1


def test_the_budget_of_a_difference_shows_what_cancels(page):
    """The vane's calibration is in either model, and not in their difference."""
    caption, head, rows = [table for table in page.tables() if table[1][0] == "Component"][1]
    (vane,) = [row for row in rows if row[0].startswith("airflow") and "one for all" in row[1]]

    assert " minus " in caption
    assert head[-1] == "Cancels"
    assert vane[-1] in ("> 99 %", "100 %")
    assert float(vane[4]) < 0.05 * float(vane[7])


def test_what_was_assumed_measured_and_not_considered_is_listed(page, estimates):
    """Every sentence the estimates carry stands on the page."""
    said = page.texts("li")

    for key in ("assumptions", "measured", "not_considered"):
        notes = json.loads(estimates.attrs[key])
        notes = [note.replace("curve: 0 %", "curve: less than 0.1 %") for note in notes]
        assert notes
        assert set(notes) <= set(said)
    assert "25 rows in: 25 used, 0 reported." in said
    assert any(text.startswith("Rotating blades") for text in said)
    assert any("no conformity statements" in text for text in said)


def test_the_root_that_draws_it_again_stands_at_the_foot(page):
    """Draws and root are said."""
    assert "400 draws; root 1 (as" in page.texts("footer")[0]


def test_what_to_buy_next_is_the_plan_for_the_first_two_places(page, estimates):
    """The sentence is that of `plan_units` for the gap measured."""
    ranking = fs.rank(estimates, quantity="airflow", obstruction="none")
    first, second = ranking.ranked[:2]
    gap = float(ranking.table["value"][0] - ranking.table["value"][1])
    plan = fs.plan_units(
        estimates, first, second, gap=gap, quantity="airflow", obstruction="none", bench=BENCH
    )

    said = plan_sentence(dataclasses.replace(plan, where=""))
    assert "a gap of " in said
    assert any(text.endswith(said) for text in page.texts("dd"))
    assert f"{'; '.join(plan.assumed)}." in page.texts("dd")
    assert any(text.startswith("The closest call of all: ") for text in page.texts("p"))


def test_prices_that_are_known_enter_the_plan(estimates, measured):
    """With a price for both the plan is in money."""
    priced = measured.assign_attrs(
        prices=f'{{"{PRICED}": {{"price": 9, "pack": 1, "currency": "EUR"}}, '
        f'"{SCRIPT.replace(chr(34), chr(92) + chr(34))}": '
        '{"price": 7, "pack": 1, "currency": "EUR"}}'
    )
    wide = chart({SCRIPT: 470, PRICED: 450, "C": 300})

    (step,) = next_steps(cases_of(wide, 0.95), wide, priced, MINIMAL)

    assert " EUR and " in step.sentence
    assert "prices not stated" not in step.sentence
    assert step.plan.currency == "EUR"


def test_prices_that_are_known_are_drawn_against_performance(tmp_path):
    """With prices of two models there is a picture of them; with one there is none."""
    values = chart({"A": 470, "B": 450, "C": 300})
    for prices, there in (({"A": 9, "B": 7}, True), ({"A": 9}, False)):
        told = values.assign_attrs(
            prices=json.dumps(
                {
                    name: {"price": price, "pack": 1, "currency": "EUR"}
                    for name, price in prices.items()
                }
            )
        )
        page = Page(write_page(told, None, MINIMAL, tmp_path).read_text(encoding="utf-8"))
        alts = [image["attrs"]["alt"] for image in page.all("img")]
        assert any(alt.startswith("Price against airflow") for alt in alts) == there


def test_a_plan_is_drawn_for_the_first_case_that_something_can_be_bought_for():
    """A tie at any price is passed over where another case has a plan."""
    cases = {"open": [412, 411.9], "mesh": [420, 396]}
    values = chart(
        {name: {place: cases[place][k] for place in cases} for k, name in enumerate("AB")}
    )
    steps = next_steps(cases_of(values, 0.95), values, None, MINIMAL)
    assert [step.plan.verdict for step in steps] == ["publish as a tie", "test"]
    assert telling_plan(steps).verdict == "test"
    assert telling_plan([]) is None


def test_budgets_of_all_cases_are_shown_and_of_many_the_least_settled():
    """Eight at most: the first of a quantity, then those whose first place is closest."""
    few = chart({"A": {"mesh": 412, "none": 500}, "B": {"mesh": 398, "none": 490}})
    assert [case.obstruction for case in budget_cases(cases_of(few, 0.95))] == ["mesh", "none"]
    places = {f"place {k:02}": 400 + 4 * k for k in range(12)}
    values = chart({"A": places, "B": dict.fromkeys(places, 400.0)}, draws=100)
    cases = cases_of(values, 0.95)
    kept = budget_cases(cases)
    assert [case.obstruction for case in kept] == [f"place {k:02}" for k in range(8)]


def test_nothing_on_it_grades_or_awards(page):
    """Comparisons with ranges, no marks."""
    words = set(re.findall(r"[a-z]+", " ".join(page.texts("main")).lower()))

    assert not words & {"tier", "grade", "star", "stars", "score", "winner", "badge", "medal"}


def test_the_same_estimates_give_the_same_file(estimates, tmp_path):
    """To the byte, whatever the user's own settings for charts; those stay as they were."""
    values = chart({"A": 412, "B": 398, "C": 300})
    first = write_page(values, None, MINIMAL, tmp_path / "a.html").read_bytes()
    with mpl.rc_context({"figure.facecolor": "black", "text.color": "white", "font.size": 30}):
        before = mpl.rcParams.copy()
        second = write_page(values, None, MINIMAL, tmp_path / "b.html").read_bytes()
        assert mpl.rcParams == before

    assert first == second


def test_without_readings_there_is_no_budget_and_the_page_says_so(tmp_path):
    """Numbers off a chart have no instrument readings behind them to take apart."""
    path = write_page(chart({"A": 412, "B": 398}), None, MINIMAL, tmp_path)

    page = Page(path.read_text(encoding="utf-8"))
    assert path == tmp_path / "page.html"
    assert any(text.startswith("No uncertainty budget: ") for text in page.texts("p"))
    assert not [table for table in page.tables() if table[1][0] == "Component"]


def test_at_equal_drive_there_is_no_budget_and_no_curve_over_noise(measured, tmp_path):
    """Both belong to a noise level; the rankings by airflow and by noise are there."""
    values = fs.equal_drive(measured, 7, bench=BENCH, draws=200, rng=1)

    page = Page(write_page(values, measured, BENCH, tmp_path).read_text(encoding="utf-8"))

    assert len(page.all("img")) == 3
    assert any(text.startswith("No uncertainty budget: ") for text in page.texts("p"))
    assert "A tolerance of speed explains none of these gaps" not in page.texts("main")[0]


def test_an_unknown_spread_is_said_in_the_first_sentence(tmp_path):
    """What is settled for two samples is not settled for the models; the spread needed is given."""
    values = chart({"A": 412, "B": 398, "C": 300}, bench=fs.Bench())
    path = write_page(values, None, fs.Bench(), tmp_path)

    page = Page(path.read_text(encoding="utf-8"))
    (lead,) = [p["text"] for p in page.all("p") if p["attrs"].get("class") == "lead"]
    assert "for this sample" in lead
    assert "nothing follows for the typical ones" in lead
    assert any("Sample luck that would explain it" in text for text in page.texts("dd"))
    assert any("State the sample luck in the bench file" in text for text in page.texts("dd"))


def test_a_settled_lead_needs_nothing_bought(tmp_path):
    """A gap that no luck explains is told as such, in the sentence and in the plan."""
    values = chart({"A": 700, "B": 398, "C": 396})
    cases = cases_of(values, 0.95)

    assert "The first place is settled, 95 times in 100." in lead_sentences(cases, values)[0]
    page = Page(write_page(values, None, MINIMAL, tmp_path).read_text(encoding="utf-8"))
    assert "A before B is settled: nothing needs to be bought for the first place." in (
        page.texts("dd")
    )


def test_leaders_differ_by_obstruction_and_ties_share_a_place():
    """The sentence names who leads where, and never makes a tie a lead."""
    values = chart({"A": {"mesh": 700, "none": 400}, "B": {"mesh": 398, "none": 700}})
    tied = chart({"A": 400, "B": 400, "C": 300})

    (lead,) = lead_sentences(cases_of(values, 0.95), values)
    assert "A stands first of 2 models with mesh (" in lead
    assert "; B stands first of 2 models with none (" in lead
    assert lead.endswith("The first place is settled, 95 times in 100.")
    (lead,) = lead_sentences(cases_of(tied, 0.95), tied)
    assert "A and B share the first place of 3 models. The first place is not settled." in lead


def test_settled_with_one_obstruction_and_not_with_another():
    """Both are named."""
    values = chart({"A": {"mesh": 700, "none": 400}, "B": {"mesh": 398, "none": 398}})

    (lead,) = lead_sentences(cases_of(values, 0.95), values)

    assert lead.endswith("is settled, 95 times in 100, with mesh; it is not with none.")


def test_nobody_with_a_place_still_gives_a_page(measured, tmp_path):
    """A level nobody reaches: reasons, and no picture of nothing."""
    values = fs.equal_noise(measured, 90, bench=BENCH, draws=200, rng=1)

    page = Page(write_page(values, measured, BENCH, tmp_path).read_text(encoding="utf-8"))

    assert any(text.endswith("no model can be ranked.") for text in page.texts("p"))
    assert not page.all("img")
    assert all(row[1].startswith("no place: ") for row in page.tables()[0][2])


def test_a_large_catalogue_has_all_its_rows_and_no_square(tmp_path):
    """More than 30 models: every one is in the table, the square of pairs is left out."""
    values = chart({f"M{k}": 300 + 3 * k for k in range(34)}, draws=200)

    page = Page(write_page(values, None, MINIMAL, tmp_path).read_text(encoding="utf-8"))

    assert [len(table[2]) for table in page.tables()] == [34]
    assert not page.all("details") or "Every pair" not in " ".join(page.texts("summary"))


def test_a_folder_that_cannot_be_is_refused(tmp_path):
    """The message names the argument and what was found."""
    (tmp_path / "file").write_text("")

    with pytest.raises(fs.FanstatsError, match=r"`out` must be in a folder .* is not: "):
        write_page(chart({"A": 1, "B": 2}), None, MINIMAL, tmp_path / "file" / "page.html")


def test_a_probability_is_a_fraction(tmp_path):
    """95 is refused before anything is drawn."""
    with pytest.raises(fs.FanstatsError, match=r"Write 0\.95 for 95 %"):
        write_page(chart({"A": 1, "B": 2}), None, MINIMAL, tmp_path, probability=95)


def test_fans_that_run_together_are_taken_apart_together(measured, tmp_path):
    """The budget is that of so many fans, and no curve of a single one stands beside it."""
    values = fs.equal_noise(measured, 33, bench=BENCH, draws=200, rng=1, fans={PRICED: 2})

    page = Page(write_page(values, measured, BENCH, tmp_path).read_text(encoding="utf-8"))

    budgets = [table for table in page.tables() if table[1][0] == "Component"]
    assert any(PRICED in table[0] for table in budgets)
    assert not any(image["attrs"]["alt"].startswith("Airflow over") for image in page.all("img"))

"""What a ballot shows: codes in serving order, the maker's end words, cautions; nothing that gives a pour away."""
import html
import os
import re
import shutil
import subprocess

import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from invented import poured

import labkit
from labkit.errors import ScoreError
from labkit.sheets.ballot import CONSENT, HYGIENE, allergen_statement

BEE = TERRACOTTA.replace('"mango butter"', '"shea butter"').replace('"vitamin E"', '"beeswax"')


@pytest.fixture(scope="module")
def trial():
    return poured(TERRACOTTA, rounds=1)


@pytest.fixture(scope="module")
def serving(trial):
    return labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["T01", "T02", "T03"],
                               dates=["2031-05-06"], seed=2)


@pytest.fixture(scope="module")
def pages(trial, serving):
    return labkit.ballots(trial, serving)


def shown(page):
    """The text that a reader sees."""
    body = re.sub(r"<style>.*?</style>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", body)))


def codes_on(page):
    return re.findall(r'<td class="code"[^>]*>(\w+)', page)


def test_one_page_for_each_tester_and_sitting(trial, serving, pages):
    assert list(pages) == ["ballot-1-T01", "ballot-1-T02", "ballot-1-T03"]
    two = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["T01"], per_sitting=2)
    assert list(labkit.ballots(trial, two)) == ["ballot-1-T01", "ballot-2-T01"]


def test_codes_stand_in_serving_order(serving, pages):
    for tester, part in serving.to_frame().groupby("tester"):
        assert codes_on(pages[f"ballot-1-{tester}"]) == list(part.sort_values("position")["code"])


def test_shuffled_rows_of_the_trial_give_the_same_pages(trial, serving, pages):
    rows = trial.with_servings(serving).servings.sort_values(["tester", "code"])
    assert labkit.ballots(trial, rows) == pages


def test_every_attribute_has_its_scale_and_end_words(trial, pages):
    page = pages["ballot-1-T01"]
    assert re.findall(r'<td class="name">([^<]*)<', page) == list(trial.attributes) * 4
    assert page.count("no colour comes off") == page.count("full colour in one pass") == 4
    assert page.count("least hardness") == page.count("most hardness") == 4
    assert re.findall(r'<span class="box">(\d+)<', page) == [str(k) for k in range(11)] * 16
    assert page.count("Remark") == 4 and "Cross one box in each row; a cross between two boxes counts as the half. Leave" in page


def test_scales_of_other_kinds():
    text = HAZEL.replace('[attributes.hardness]\nwanted = { falling = [3, 7] }\n',
                         '[attributes.feel_on_lip]\nscale = [1, 5]\n[attributes.glide]\nscale = [0, 100]\n')
    trial = poured(text, rounds=1)
    serving = labkit.plan_serving(trial, pours=["P01"], testers=["T01"])
    page, lines = (labkit.ballots(trial, serving, scale_as=way)["ballot-1-T01"] for way in ("boxes", "line"))
    assert re.findall(r'<span class="box">(\d+)<', page) == ["1", "2", "3", "4", "5"] and page.count('"drawn"') == 1
    assert "feel on lip" in page
    assert ("Cross one box in each row of boxes; a cross between two boxes counts as the half. "
            "Make one mark across each line that has no boxes. Leave out what you cannot judge.") in shown(page)
    assert lines.count('"drawn"') == 2 and '"box"' not in lines and "Cross one box" not in lines
    assert "Make one mark across each line. Leave out what you cannot judge." in shown(lines)


@pytest.mark.parametrize("scale", ["[0.6, 4]", "[1, 4.6]", "[0.4, 4]", "[1, 4.4]"])
def test_a_scale_that_begins_or_ends_between_points_is_a_line(scale):
    trial = poured(HAZEL.replace("wanted = { falling = [3, 7] }", f"scale = {scale}"), rounds=1)
    page, = labkit.ballots(trial, labkit.plan_serving(trial, pours=["P01"], testers=["T01"])).values()
    assert page.count('"drawn"') == 1 and '"box"' not in page


def test_the_day_of_a_sitting_stands_on_its_ballot_and_nobody_elses(trial):
    two = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["T01"], per_sitting=2,
                              dates=["2031-05-06", "2031-05-08"])
    assert [re.findall(r"2031-05-\d\d", shown(page)) for page in labkit.ballots(trial, two).values()] == [
        ["2031-05-06"], ["2031-05-08"]]
    without = labkit.plan_serving(trial, pours=["P01"], testers=["T01"])
    assert not any(re.search(r"\d{4}-|nan", shown(page)) for page in labkit.ballots(trial, without).values())


def test_nothing_gives_a_pour_away(trial, serving, pages):
    for page in pages.values():
        said = shown(page)
        assert not any(re.search(rf"\b{re.escape(name)}\b", said) for name in (*trial.pours["pour"], *trial.melts["melt"]))
        assert not any(name in said for name in (*trial.recipe.ingredients, "red_share", "pour_temperature", " g ", "%"))
        assert not any(word in said for word in ("wanted", "rising", "peak", "best", "rank", "control"))


def test_hygiene_consent_and_cautions_are_there(pages):
    said = shown(pages["ballot-1-T02"])
    assert all(sentence in said for sentence in (*HYGIENE, CONSENT)) and "Signed" in said
    for word in ("allergic", "bee products", "nut butters", "coconut", "carmine", "fragrance", "single-use", "cold sore",
                 "share", "Stop at any"):
        assert word in said


class TestAllergens:
    def test_flags_of_ingredients_are_told_and_notes_for_the_bench_are_not(self):
        assert allergen_statement(labkit.Trial.from_toml(BEE)) == (
            "The samples may hold beeswax (bee products; not vegan) and shea butter (tree nut).",
            "Whoever is allergic to anything sees the whole list of ingredients first: ask for it.")

    def test_the_pantry_of_the_trial_overrules(self):
        own = TERRACOTTA + '[pantry."mango butter"]\nflag = "kin to cashew; grains when cooled slowly"\n'
        assert allergen_statement(labkit.Trial.from_toml(own))[0] == "The samples may hold mango butter (kin to cashew)."

    def test_what_nothing_is_known_about_is_named(self):
        text = HAZEL.replace("cocoa butter", "plum butter")
        assert allergen_statement(labkit.Trial.from_toml(text))[:2] == (
            "No ingredient is flagged here for an allergy that is common.",
            "Nothing is known here about allergies to plum butter.")

    def test_a_paste_counts_by_what_it_is_made_of(self):
        text = TERRACOTTA.replace('"red iron oxide"', '"carmine"')
        assert allergen_statement(labkit.Trial.from_toml(text))[0] == (
            "The samples may hold carmine (allergy, anaphylaxis reported; insect).")


def test_warm_up_comes_first_under_its_letter(trial):
    serving = labkit.plan_serving(trial, pours=["P01", "P02"], testers=["T01"], warm_up=True)
    page = labkit.ballots(trial, serving)["ballot-1-T01"]
    assert codes_on(page) == ["W", *serving.frame["code"]] and "warm-up: to try, not kept" in page


def test_book_holds_all_pages_in_one_file(trial, serving, pages):
    book = labkit.ballot_book(trial, serving)
    assert book.count('<div class="ballot">') == 3
    assert codes_on(book) == [code for page in pages.values() for code in codes_on(page)]


def test_is_one_file_that_asks_nothing_of_any_other_and_is_escaped(trial):
    rows = pd.DataFrame({"session": ["a/b"], "tester": ["<Ana>"], "code": ["417"]})
    (name, page), = labkit.ballots(trial, rows).items()
    assert name == "ballot-a_b-_Ana_" and "&lt;Ana&gt;" in page and "<Ana>" not in page
    assert page.startswith("<!doctype html>") and not re.search(r"<(script|link|img)|url\(|https?:", page)


def test_is_kept_beside_the_trial(demo_copy):
    trial = labkit.read_trial(demo_copy)
    serving = labkit.plan_serving(trial, pours=["P01", "P02"], testers=["T01"])
    (name, page), = labkit.ballots(trial, serving).items()
    assert labkit.keep_sheet(demo_copy, name, page).endswith("sheets/ballot-4-T01.html")


def test_refusals(trial, serving):
    asked = [({"serving": serving, "scale_as": "stars"}, "scale_as is 'stars'. Choose 'boxes' or 'line'."),
             ({"serving": pd.DataFrame({"session": ["1"], "tester": ["T01"]})},
              "servings lacks the column 'code'. It needs 'session', 'tester' and 'code'."),
             ({"serving": trial.servings.iloc[:0]}, "there are no servings, so there is no ballot. Plan them with plan_serving.")]
    for given, text in asked:
        with pytest.raises(ScoreError) as caught:
            labkit.ballots(trial, **given)
        assert str(caught.value) == text
    with pytest.raises(ScoreError) as caught:
        labkit.ballots(labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0]), serving)
    assert str(caught.value) == ("the trial scores nothing, so a ballot would be empty. "
                                 "Add [attributes.payoff] to trial.toml.")


def test_each_code_names_the_sitting_and_the_tester_so_that_a_loose_second_page_is_nobody_elses(trial):
    serving = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["T01", "T02"], code_for="pour")
    for tester in ("T01", "T02"):
        page = labkit.ballots(trial, serving)[f"ballot-1-{tester}"]
        assert page.count(f'<span class="who">session 1, tester {tester}</span>') == len(codes_on(page)) == 4


LONG = TERRACOTTA.replace("Terracotta stick", "Sheer everyday lip crayon for dry winter lips").replace(
    "[attributes.payoff]", "[attributes.colour_payoff_on_first_stroke]").replace(
    "no colour comes off", "no colour at all comes off, even with several strokes").replace(
    "full colour in one pass", "full colour in the very first pass over the lip").replace(
    "[attributes.shade]", "[attributes.likeness_to_the_shade_card]")


FIVE = TERRACOTTA.split("[attributes.payoff]")[0].replace("Terracotta stick", "Pflegestift Größe XL, getönt, für spröde "
                                                         "Lippen") + """
[attributes."Abrieb_auf_dem_Handrücken"]
ends = ["überhaupt keine Farbe auf der Haut zu sehen", "volle Farbe schon beim ersten Strich über die Haut"]
[attributes."Härte"]
[attributes."Gleitfähigkeit_beim_Auftragen"]
[attributes.Farbton]
scale = [0, 1]
[attributes.Klebrigkeit_nach_einer_Minute]
"""


@pytest.mark.parametrize("scale_as", ["boxes", "line"])
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_four_pours_on_five_attributes_with_names_of_three_words_fit_one_page(paper, scale_as, tmp_path):
    """Each name took three lines, and the fourth pour went to a second sheet."""
    trial = poured(FIVE, rounds=1)
    serving = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["Annegret von Hohenlohe-Waldenburg"])
    page, = labkit.ballots(trial, serving, scale_as=scale_as).values()
    assert pages_of(page, paper, tmp_path) == 1


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_long_words_stand_closer_so_that_four_pours_fit_one_page(paper, tmp_path):
    trial = poured(LONG, rounds=1)
    serving = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["Maximiliane of the second floor"])
    page, = labkit.ballots(trial, serving).values()
    assert pages_of(page, paper, tmp_path) == 1


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_four_pours_and_a_warm_up_on_four_attributes_fit_one_page(trial, paper, tmp_path):
    serving = labkit.plan_serving(trial, pours=list(trial.pours["pour"]), testers=["T01"], warm_up=True)
    page, = labkit.ballots(trial, serving).values()
    assert pages_of(page, paper, tmp_path) == 1


def test_lines_stand_closer_only_where_there_is_much(trial):
    """Four pours on four attributes with a remark each are some twenty lines; with a warm-up or in long words they are more."""
    long = poured(LONG, rounds=1)
    asked = [(trial, ["P01", "P02", "P03", "P04"], False), (trial, ["P01", "P02", "P03", "P04"], True), (long, ["P01"], False),
             (long, ["P01", "P02"], False), (long, ["P01", "P02", "P03", "P04"], False)]
    pages = [labkit.ballots(of, labkit.plan_serving(of, pours=pours, testers=["T01"], warm_up=warm_up))["ballot-1-T01"]
             for of, pours, warm_up in asked]
    assert ['<body class="tight">' in page for page in pages] == [False, True, False, False, True]


def pages_of(page, paper, tmp_path):
    """On how many pages Chromium prints it."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not browser and not os.environ.get("CI"):
        pytest.skip("no Chromium to print with")
    (tmp_path / "ballot.html").write_text(page.replace("@page { ", f"@page {{ size: {paper}; "), encoding="utf-8")
    subprocess.run([browser, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/profile",
                    "--no-pdf-header-footer", f"--print-to-pdf={tmp_path}/ballot.pdf", tmp_path / "ballot.html"],
                   check=True, capture_output=True, timeout=60)
    return len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "ballot.pdf").read_bytes()))


def test_names_that_make_one_file_name_make_two_ballots(trial):
    rows = pd.DataFrame([("1", who, "1", code, "P01") for who, code in (("Ana M", "417"), ("Ana/M", "552"), ("Ana_M", "663"))],
                        columns=["session", "tester", "position", "code", "pour"])
    pages = labkit.ballots(trial, rows)
    assert list(pages) == ["ballot-1-Ana_M", "ballot-1-Ana_M_", "ballot-1-Ana_M__"]
    assert [codes_on(page) for page in pages.values()] == [["417"], ["552"], ["663"]]


def test_the_tenth_sample_comes_after_the_second(trial):
    rows = pd.DataFrame({"session": "1", "tester": "T01", "position": [str(k) for k in range(12, 0, -1)], "pour": "P01",
                         "code": [str(100 + k) for k in range(12, 0, -1)]})
    page, = labkit.ballots(trial, rows).values()
    assert codes_on(page) == [str(100 + k) for k in range(1, 13)]

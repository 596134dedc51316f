"""What a bench sheet shows: every gram of the round, the pot with its allowance, and the cautions. Text only here."""
import html
import re

import pandas as pd
import pytest
from definitions import NEEDLE, STICK, TINT

from labkit.cautions import AT_THE_BENCH, CAUTIONS
from labkit.errors import PlanError
from labkit.planning import plan_round
from labkit.rounds import round_from_factors
from labkit.sheets import DEFECTS, bench_sheet
from labkit.trial import Trial


def planned(text=STICK, notes=()):
    trial = Trial.from_toml(text)
    points = trial.region.corners().iloc[[0, 1, -2, -1]]
    melts = ["M01", "M01", "M02", "M02"]
    return trial, round_from_factors(trial.recipe, trial.batch, number=1, melts=melts, coordinates=points,
                                     pours=["P01", "P02", "P03", "P04"], notes=notes)


def cells(page):
    return [html.unescape(re.sub("<[^>]+>", "", cell)).strip() for cell in re.findall(r"<td[^>]*>(.*?)</td>", page, re.S)]


def test_shows_every_gram_and_setting_of_each_pour():
    trial, round_ = planned()
    shown = cells(bench_sheet(trial, round_))
    for row in round_.pour_sheet().to_dict("records"):
        at = shown.index(row["pour"])
        assert shown[at:at + 5] == [row["pour"], row["melt"], f"{row['base [g]']:.2f}\u00a0g",
                                    f"{row['red paste [g]']:.2f}\u00a0g", f"{row['pour_temperature']:.1f}\u00a0°C"]


def test_pot_adds_up_to_what_the_pours_draw_and_the_allowance():
    trial, round_ = planned()
    shown = cells(bench_sheet(trial, round_, allowance=0.1))
    at = [k for k, cell in enumerate(shown) if cell == "candelilla wax"]
    added = [[float(shown[k + 3 * row + 1]) for row in range(3)] for k in at]
    drawn = round_.pour_sheet().groupby("melt", sort=False)["base [g]"].sum()
    together = [float(total) for total in re.findall(r"together (\d+\.\d\d)\sg", bench_sheet(trial, round_, allowance=0.1))]
    assert together == pytest.approx(list(1.1 * drawn), abs=0.02)
    assert together == pytest.approx([sum(adds) for adds in added], abs=0.006)


def test_asks_for_what_was_added_and_for_no_running_totals():
    trial, round_ = planned()
    page = bench_sheet(trial, round_)
    assert '<th class="number">add [g]</th><th class="half">added [g]</th>' in page and "pan shows" not in page
    assert ("set the balance to zero before each, and write down what was added, not what was meant. A balance that is "
            "not set to zero shows a running total: write what it shows less what it showed before."
            ) in re.sub(r"\s+", " ", page)


def test_colour_by_the_base_drawn_defects_to_tick_and_labels_to_cut_out():
    trial, round_ = planned()
    page = bench_sheet(trial, round_)
    shown = cells(page)
    table = round_.per_gram_of_base().set_index("pour")["red paste [g/g]"]
    assert [shown[shown.index(pour, shown.index("P04") + 1) + 1] for pour in table.index] == [f"{v:.4f}" for v in table]
    assert page.count('class="label"') == 4 and all(page.count(f"</span> {defect}</span>") == 4 for defect in DEFECTS)
    assert "to about 85\u00a0°C (common practice): candelilla wax melts up to 73\u00a0°C." in page


def test_a_tint_of_oils_is_not_to_be_heated_for_its_own_sake():
    """Jojoba oil melts up to 12 degC, castor oil and iron oxide have no melting range on the shelf."""
    trial = Trial.from_toml(TINT.replace('"castor oil" = "to 100"', '"castor oil" = 50\n"jojoba oil" = "to 100"'))
    told = bench_sheet(trial, plan_round(trial, pours=2, seed=1))
    assert "Heat only what has to be melted, until it is clear, to about 85\u00a0°C (common practice)." in told
    assert "jojoba oil melts" not in told and "Heat until clear" not in told


@pytest.mark.parametrize("name", ["carnauba wax", "Carnauba Wax"])
def test_carnauba_wants_more_heat(name):
    """Melting range of carnauba 80 to 86 degC: OCL (2022), article ocl210097, Table 1."""
    page = bench_sheet(*planned(STICK.replace("candelilla wax", name)))
    assert f"to about 90\u00a0°C (common practice): {name} melts up to 86\u00a0°C." in page


def test_what_is_set_for_a_whole_pot_stands_beside_it():
    """It stood only in the table of pours, which is read when the pot is divided."""
    text = STICK.replace("low = 68", "per_melt = true\nlow = 68") + "[settings.stirring]\nunit = \"min\"\nlow = 1\nhigh = 5\n"
    trial = Trial.from_toml(text)
    points = trial.region.corners().iloc[[0, 0, -1, -1]]
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M01", "M02", "M02"], coordinates=points,
                                pours=["P01", "P02", "P03", "P04"])
    page = bench_sheet(trial, round_)
    assert re.findall(r">for all of it: ([^<]*)<", page) == ["pour temperature 68.0\u00a0°C", "pour temperature 80.0\u00a0°C"]
    assert "for all of it" not in bench_sheet(*planned())


@pytest.mark.parametrize(("name", "told"), [
    ("carnauba", "90\u00a0°C (common practice): carnauba melts up to 86\u00a0°C."),
    ("Carnauba wax flakes", "90\u00a0°C (common practice): Carnauba wax flakes melts up to 86\u00a0°C."),
    ("bees wax with organic_carnauba", "90\u00a0°C (common practice): bees wax with organic_carnauba melts up to 86\u00a0°C."),
    ("Bees' wax, white", "85\u00a0°C (common practice): Bees&#39; wax, white melts up to 64\u00a0°C."),
    ("sunflower seed wax", "85\u00a0°C (common practice): sunflower seed wax melts up to 77\u00a0°C."),
    ("a wax of ours", "85\u00a0°C (common practice): mango butter melts up to 40\u00a0°C.")])
def test_a_wax_is_known_by_the_words_of_its_name(name, told):
    """`carnauba` beside rice bran wax was heated for the rice bran wax alone."""
    assert f"to about {told}" in bench_sheet(*planned(STICK.replace("candelilla wax", name)))


def test_what_a_premix_is_made_of_is_melted_too():
    text = STICK + '[made_of]\n"candelilla wax" = { "carnauba wax" = 0.5, "castor oil" = 0.5 }\n'
    assert "to about 90\u00a0°C (common practice): carnauba wax melts up to 86\u00a0°C." in bench_sheet(*planned(text))


@pytest.mark.parametrize(("high", "told"), [
    (88, "to about 90\u00a0°C (common practice): mango butter melts up to 88\u00a0°C."),
    (96, "to a little above 96\u00a0°C: mango butter melts up to that.")])
def test_the_melting_range_of_the_own_pantry_overrules(high, told):
    page = bench_sheet(*planned(STICK + f'[pantry."mango butter"]\nmelting = [80, {high}]\n'))
    assert f"Heat until clear, {told}" in page


def test_a_pantry_that_says_nothing_of_melting_leaves_what_is_known():
    page = bench_sheet(*planned(STICK + '[pantry."candelilla wax"]\nflag = "bee free"\n'))
    assert "to about 85\u00a0°C (common practice): candelilla wax melts up to 73\u00a0°C." in page


@pytest.mark.parametrize(("hours", "said"), [("", "Wait a day at"), ("wait_h = 96", "Wait 4 days at"), ("wait_h = 12", "Wait 12\u00a0h at")])
def test_it_waits_as_long_as_the_trial_does(hours, said):
    page = bench_sheet(*planned(STICK.replace("balance_step_g", f"{hours}\nbalance_step_g", 1)))
    assert f"{said} about 20\u00a0°C before anything is judged (common practice: a day, and four days with carnauba)." in page
    assert "Wait" not in bench_sheet(*planned(STICK.replace("balance_step_g", "wait_h = 0\nbalance_step_g", 1)))


def test_without_a_pot_every_pour_lists_all_it_holds():
    text = STICK.replace('[melt]\npot = ["candelilla wax", "mango butter", "jojoba oil"]\n', "")
    page = bench_sheet(*planned(text))
    assert "into the pot" not in page and "1. Weigh, melt, pour" in page and "2. When it has set" in page
    assert "Heat until clear, to about 85\u00a0°C (common practice): candelilla wax melts up to 73\u00a0°C." in page
    assert [head for head in re.findall(r"<th>([^<]*)</th>", page)] == [
        "pour", "candelilla wax", "mango butter", "jojoba oil", "red paste", "pour temperature",
        "pour", "ok", "failed", "defects"]


def test_where_all_is_melted_there_is_nothing_to_stir_in_by_the_gram():
    text = STICK.replace('"jojoba oil"]\n[factors.wax]', '"jojoba oil", "red paste"]\n[factors.wax]')
    text = text.replace('[factors.load]\nof = ["red paste"]\nlow = 0.04\nhigh = 0.10\n', "")
    assert "for each gram of base" not in bench_sheet(*planned(text)) and "for each gram of base" in bench_sheet(*planned())


def test_tables_that_go_on_over_the_page_carry_their_heads_along():
    page = bench_sheet(*planned())
    assert [re.findall(r"<th[^>]*>([^<]*)</th>", head)[0] for head in re.findall(r"<thead>(.*?)</thead>", page, re.S)] == [
        "pour", "pour"]


def test_a_formula_of_many_things_has_a_row_for_each_so_that_nothing_falls_off_the_paper():
    text = STICK.replace('[melt]\npot = ["candelilla wax", "mango butter", "jojoba oil"]\n', "")
    text = text.replace('"red paste" = 8', '"red paste" = 8\n' + "\n".join(f'"thing {k}" = 1' for k in range(5)))
    trial, round_ = planned(text)
    shown = cells(bench_sheet(trial, round_))
    for ingredient in trial.recipe.ingredients:
        at = shown.index(ingredient)
        assert shown[at + 1:at + 5] == [f"{grams:.2f}\u00a0g" for grams in round_.frame[f"{ingredient} [g]"]]
    assert "time, note" in shown


def test_what_an_instrument_reads_has_a_place_for_each_reading_of_each_pour():
    trial, round_ = planned(STICK + NEEDLE)
    page = bench_sheet(trial, round_)
    read = page.split("4. Read</h2>")[1].split("<h2>Labels")[0]
    heads = [html.unescape(head) for head in re.findall(r"<th[^>]*>([^<]*)</th>", read)]
    places = ["pour", "1", "2", "3", "note"]
    assert heads == ["softness: needle depth [mm], 0 to 20, a higher one is more", *places,
                     "drop point: drop point [°C], 40 to 90, a higher one is more", *places]
    assert cells(read) == [cell for pour in round_.pours * 2 for cell in (pour, "", "", "", "")]
    assert page.index("When it has set") < page.index("4. Read") and page.count("<div") == page.count("</div>")
    assert ("All pours equally long after they were poured, at one temperature. A second reading of a pour goes under 2, "
            "a third under 3: that is the column repeat of readings.csv. What was not read stays empty."
            ) in re.sub(r"\s+", " ", page)


def test_as_many_places_as_a_pour_of_the_trial_was_read():
    trial, round_ = planned(STICK + NEEDLE)
    rows = [("P01", str(k), 5 + k / 10) for k in range(1, 6)]
    readings = pd.DataFrame(rows, columns=["pour", "repeat", "value"]).assign(method="needle depth", direction="up")
    read = bench_sheet(trial.with_round(round_).with_pours(round_.as_poured()).with_readings(readings), round_)
    heads = re.findall(r"<th[^>]*>([^<]*)</th>", read.split("4. Read</h2>")[1])
    assert heads[1:8] == ["pour", "1", "2", "3", "4", "5", "note"] and heads[9:14] == ["pour", "1", "2", "3", "note"]


def test_where_nothing_is_read_the_sheet_has_no_such_place():
    scored = STICK + "[attributes.payoff]\n"
    page = bench_sheet(*planned(scored))
    assert page == bench_sheet(*planned()) and "readings.csv" not in page and "Read</h2>" not in page


def test_cautions_names_and_notes_are_there_and_escaped():
    trial, round_ = planned(notes=("keep 1 < 2",))
    page = bench_sheet(trial, round_)
    assert "Stick &amp; &lt;tint&gt;: round 1" in page and "<tint>" not in page and "keep 1 &lt; 2" in page
    assert all(CAUTIONS[name] in html.unescape(page) for name in AT_THE_BENCH)


def test_no_number_is_parted_from_its_unit_at_the_end_of_a_line():
    """SI Brochure (9th edition, 2019), 5.4.3: a space stands between the number and the unit; here one that holds."""
    page = bench_sheet(*planned(notes=("Pour 40 g, or wait 24 h at 20 °C, as 5 groups of 3 minutes.",)))
    text = html.unescape(re.sub("<[^>]+>", "", page.split("<body>")[1]))
    for pair in ("85 °C", "73 °C", "20 °C", "0.01 g", "10 %", "68.0 °C", "40 g", "24 h", "3 minutes"):
        assert pair.replace(" ", "\u00a0") in text and pair not in text
    assert not re.search(r"\d\s+(°C|%|g|h|mm|minutes)\b", text.replace("\u00a0", "_")) and "5 groups" in text
    assert re.findall(r'<span class="pair">(\S[^<]*)<span[^>]*></span> °C</span>', page) == [
        "Room temperature ", "hottest ", "hottest "]


def test_is_one_file_that_asks_nothing_of_any_other():
    page = bench_sheet(*planned())
    assert page.startswith("<!doctype html>") and not re.search(r"<(script|link|img)|url\(|https?:", page)


def test_an_allowance_that_cannot_be_meant_is_refused():
    with pytest.raises(PlanError) as caught:
        bench_sheet(*planned(), allowance=5)
    assert str(caught.value) == "allowance is 5. Give a number from 0 to 0.5."


def test_a_sheet_made_anew_tells_again_what_can_hardly_be_weighed():
    """plan.csv keeps no notes, and the second sheet told nothing of a pinch of pigment."""
    trial = Trial.from_toml(STICK.replace("balance_step_g = 0.01", "balance_step_g = 0.1"))
    round_ = plan_round(trial, pours=5, melts=1, seed=1)
    again, told = bench_sheet(trial.with_round(round_), 1), ("under 20 steps of the balance", "the 4 of one sitting: serve them")
    assert all(words in bench_sheet(trial, round_) and words in again for words in told) and "criterion" not in again


def test_a_round_is_given_by_its_number_where_it_is_planned():
    trial, round_ = planned()
    assert bench_sheet(trial.with_round(round_), 1) == bench_sheet(trial, round_)
    with pytest.raises(PlanError) as problem:
        bench_sheet(Trial.from_toml(STICK), 3)
    assert str(problem.value) == "round 3 is not planned. Give a Round from plan_round."

"""What a hand can hardly have meant: refused in new rows, named where it stands in a file, and so if it is said so."""

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from recorded import MELTS, POURS, changed, planned_trial

from labkit import Trial, append_pours, append_servings, correct_pours, plan_round, read_trial, set_aside
from labkit.__main__ import main
from labkit.errors import PourError, ScoreError
from labkit.forms import pours_form
from labkit.planning.given import planned_round
from labkit.pours.doubts import _are_totals
from labkit.rounds import round_from_factors
from labkit.store import read_table

POT = ["candelilla wax [g]", "mango butter [g]", "jojoba oil [g]", "vitamin E [g]"]
TOTALS = ("the weights look like running totals (4.7, 17.6, 39.1, 39.53 g, where 4.75, 13.06, 21.79, 0.44 g were "
          "planned). Write what was added each time, or write 'really so' in the note.")


@pytest.fixture
def planned():
    return planned_trial()


def as_totals(frame, columns):
    numbers = frame.loc[[2], columns].map(lambda cell: float(str(cell).replace(",", ".")))
    shown = numbers.cumsum(axis=1).round(2).astype(object)
    return frame.astype(object).assign(**{c: [shown.at[2, c], *frame[c].iloc[1:]] for c in columns})


def refused(with_rows, frame):
    with pytest.raises(PourError) as problem:
        with_rows(frame)
    return str(problem.value)


def test_running_totals_in_a_melt(planned):
    running = as_totals(MELTS, POT)
    assert refused(planned.with_melts, running) == f"melts row 2: {TOTALS}"
    trial = planned.with_tables({"melts": running}, files=True)
    assert trial.doubts == (f"melts.csv melt M01: {TOTALS}",) and len(trial.melts) == 2
    assert planned.with_melts(running.assign(note="Really  so, I swear")).doubts == ()


def test_running_totals_in_a_pour(planned):
    running = as_totals(POURS, ["base [g]", "red paste [g]", "yellow paste [g]"])
    assert refused(planned.with_melts(MELTS).with_pours, running) == (
        "pours row 2: the weights look like running totals (18.8, 19.16, 20 g, where 18.80, 0.36, 0.84 g were planned). "
        "Write what was added each time, or write 'really so' in the note.")


@pytest.mark.parametrize("grams, again", [((2.23, 6.13, 10.23, 0.21), "18.80"), ((4.75, 13.06, 21.79, 0.44), "40.04")])
def test_a_base_that_is_weighed_once_more_beside_itself(planned, grams, again):
    """What the plan says of the whole pour, or what went into the pot: half the colour of what was poured was fitted."""
    twice = POURS.astype(object).assign(**{c: [value, *[""] * (len(POURS) - 1)] for c, value in zip(POT, grams)})
    told = (f"base [g] is 18.8, and candelilla wax [g], mango butter [g], jojoba oil [g] and vitamin E [g] stand beside it "
            f"with {again} g more, as if that had been stirred in. Leave empty what was drawn with the base, or write 'really "
            "so' in the note.")
    melted = planned.with_melts(MELTS)
    assert refused(melted.with_pours, twice) == f"pours row 2: {told}"
    assert melted.with_tables({"pours": twice}, files=True).doubts == (f"pours.csv pour P01: {told}",)
    assert melted.with_pours(twice.assign(note="really so")).doubts == ()
    a_little = POURS.astype(object).assign(**{POT[0]: [0.5, *[""] * (len(POURS) - 1)]})
    assert melted.with_pours(a_little).doubts == ()


def test_running_totals_of_a_short_pot():
    """A pot of three: in proportions the totals come near to it, but no hand fills a pot with 5.08, 7.63 and 15.59 g so."""
    text = """[product]
name = "Three"
[formula]
"wax" = 18
"butter" = 27
"oil" = "to 100"
"red" = 6
[melt]
pot = ["wax", "butter", "oil"]
[factors.wax_share]
of = ["wax"]
within = ["wax", "butter", "oil"]
low = 0.12
high = 0.24
[attributes.payoff]
"""
    trial = Trial.from_toml(text)
    trial = trial.with_round(plan_round(trial, pours=2, melts=1, seed=1))
    meant = list(planned_round(trial, 1).melt_sheet(0.10).iloc[0][["wax [g]", "butter [g]", "oil [g]"]])

    def melt(*grams, note=""):
        return pd.DataFrame([dict(zip(["wax [g]", "butter [g]", "oil [g]"], grams), melt="M01", note=note)])
    totals = melt(*np.cumsum(np.round(meant, 2)).round(2))
    assert refused(trial.with_melts, totals).startswith("melts row 0: the weights look like running totals (")
    assert trial.with_melts(totals.assign(note="really so")).doubts == ()
    for times in (0.9, 1.0, 1.1, 1.5, 2.0):
        assert trial.with_melts(melt(*np.round(times * np.array(meant), 2))).doubts == ()


def test_a_pot_that_gave_more_than_it_held(planned):
    """M01 holds 39.53 g: two pours of 18.8 and 22.3 g draw 41.1 g from it; a fiftieth and five steps are let pass."""
    drawn = changed(POURS, 3, "base [g]", 22.3)
    said = ("melts.csv melt M01: 39.53 g were weighed into it, but 41.10 g of base were drawn from it. Correct the melt or "
            "its pours, or write 'really so' in the note of the melt.")
    assert planned.with_melts(MELTS).with_pours(drawn).doubts == (said,)
    assert planned.with_melts(MELTS).with_pours(changed(POURS, 3, "base [g]", 21.5)).doubts == ()
    assert planned.with_melts(MELTS.assign(note="really so")).with_pours(drawn).doubts == ()
    unwritten = changed(MELTS, 2, "vitamin E [g]", np.nan)
    assert all("drawn from it" not in why
               for why in planned.with_tables({"melts": unwritten, "pours": drawn}, files=True).doubts)


def test_portions_are_never_taken_for_totals_nor_totals_for_portions():
    """1,000 plans of three to six weights with a hand that misses each by a tenth: as told, and as running totals."""
    rng = np.random.default_rng(1)
    for _ in range(1000):
        meant = rng.dirichlet(np.ones(rng.integers(3, 7))) * 30 + 0.2
        added = meant * rng.uniform(0.9, 1.1, len(meant))
        assert not _are_totals(added, meant, 0.01) or _are_alike(added, meant)
        assert _are_totals(np.cumsum(meant), meant, 0.01) or _are_alike(np.cumsum(meant), meant)


def _are_alike(one, other):
    return np.abs(one / one.sum() - other / other.sum()).sum() < 0.21


@pytest.mark.parametrize("row, column, value, text", [
    (2, "red paste [g]", 3.6, "red paste [g] is 3.6, but 0.36 g were planned."),
    (3, "base [g]", "1760", "base [g] is 1760, but 17.60 g were planned."),
])
def test_a_weight_many_times_what_was_planned(planned, row, column, value, text):
    advice = "Correct the weight, or write 'really so' in the note."
    melted = planned.with_melts(MELTS)
    assert refused(melted.with_pours, changed(POURS, row, column, value)) == f"pours row {row}: {text} {advice}"
    trial = melted.with_tables({"pours": changed(POURS, row, column, value)}, files=True)
    pour = POURS.at[row, "pour"]
    assert trial.doubts == (f"pours.csv pour {pour}: {text} {advice}",)
    assert melted.with_pours(changed(POURS, row, column, value).assign(note="really so")).doubts == ()


def test_a_larger_pot_is_no_doubt_but_ten_times_one_of_its_parts_is(planned):
    grams = MELTS[POT].map(lambda cell: 5 * float(str(cell).replace(",", ".")))
    larger = MELTS.assign(**grams)
    assert planned.with_melts(larger).doubts == ()
    assert refused(planned.with_melts, changed(MELTS, 2, "vitamin E [g]", 4.3)) == (
        "melts row 2: vitamin E [g] is 4.3, but 0.44 g were planned. "
        "Correct the weight, or write 'really so' in the note.")


def test_a_weight_that_is_a_small_part_of_what_was_planned_is_named(planned):
    meant = 1.1 * planned.plan.loc[planned.plan["melt"] == "M02", "mango butter [g]"].sum()
    trial = planned.with_melts(changed(MELTS, 3, "mango butter [g]", 1.28)).with_pours(
        changed(POURS, 3, "red paste [g]", 0.14))
    assert trial.doubts == (
        f"melts.csv melt M02: mango butter [g] is 1.28, but {meant:.2f} g were planned. "
        "Correct the weight, or write 'really so' in the note.",
        "pours.csv pour P02: red paste [g] is 0.14, but 1.44 g were planned. "
        "Correct the weight, or write 'really so' in the note.")


def test_a_pour_that_no_round_planned_holds_no_more_than_a_pour_can(planned):
    pour = pd.DataFrame([{"pour": "X-01", "melt": "M01", "base [g]": 188, "red paste [g]": 1.2, "pour_temperature": 70}])
    assert refused(planned.with_melts(MELTS).with_pours, pour) == (
        "pours row 0: pour X-01 holds 189.2 g, but a pour is 20 g. "
        "Correct the weight, or write 'really so' in the note.")


def test_a_pot_of_its_own_and_a_trial_without_pots():
    trial = Trial.from_toml(HAZEL)
    assert not trial.recipe.pot
    round_ = plan_round(trial, pours=3, seed=1)
    made = round_.as_poured().astype(object)
    poured = trial.with_round(round_).with_pours(made)
    assert poured.doubts == ()
    column = next(c for c in made if c.endswith(" [g]") and (made[c] > 1).all())
    worse = made.assign(**{column: [10 * made[column].iloc[0], *made[column].iloc[1:]]})
    meant = made[column].iloc[0]
    assert refused(trial.with_round(round_).with_pours, worse) == (
        f"pours row 0: {column} is {10 * meant:g}, but {meant:.2f} g were planned. "
        "Correct the weight, or write 'really so' in the note.")


def test_another_melt_than_planned_is_named(planned):
    trial = planned.with_melts(MELTS).with_pours(changed(POURS, 2, "melt", "M02"))
    assert trial.doubts == ("pours.csv pour P01: melt is M02, but M01 was planned. "
                            "Correct the melt, or write 'really so' in the note.",)
    assert planned.with_melts(MELTS).with_pours(changed(POURS, 2, "melt", "M02").assign(note="really so")).doubts == ()


@pytest.mark.parametrize("day", ["2026-13-45", "yesterday", "6.2.2026", "20260206", "2026-W06-5", "2026-02-06x"])
def test_a_date_is_a_day(planned, day):
    told = f"date is {day!r}, which is no day. Write it as YYYY-MM-DD, such as 2026-03-08, or leave it empty."
    assert refused(planned.with_melts, MELTS.assign(date=day)) == f"melts row 2: {told}"
    melted = planned.with_melts(MELTS.assign(date=""))
    assert refused(melted.with_pours, POURS.assign(date=day)) == f"pours row 2: {told}"
    stands = planned.with_tables({"melts": MELTS.assign(date=day), "pours": POURS.assign(date="2026-02-06 20:30")},
                                 files=True)
    assert stands.doubts == (f"melts.csv melt M01: {told}", f"melts.csv melt M02: {told}")
    assert stands.melts["date"].tolist() == [day, day]


def test_check_and_the_form_say_it(demo_copy, capsys):
    path = demo_copy / "pours.csv"
    assert main(["check", str(demo_copy)]) == 0 and "In doubt" not in capsys.readouterr().out
    path.write_text(path.read_text().replace("P01,M01,2026-02-06,18.76,,,,0.4,", "P01,M02,2026-02-06,18.76,,,,4.0,"))
    assert main(["check", str(demo_copy)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert ("In doubt: pours.csv pour P01: melt is M02, but M01 was planned. Correct the melt, or write 'really so' in "
            "the note. In doubt: pours.csv pour P01: red paste [g] is 4, but 0.40 g were planned. Correct the weight, or "
            "write 'really so' in the note.") in shown
    correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "melt": "M01", "red paste [g]": 0.4}]), reason="slips")
    form = pours_form(demo_copy, number=1)
    form.grids["pours"].boxes["P02", "red paste [g]"].value = "15,1"
    form.reason.value = "slip"
    form.button.click()
    assert ("Nothing was saved. pours row P02: red paste [g] is 15.1, but 1.55 g were planned. Correct the weight, or "
            "write &#x27;really so&#x27; in the note.") in form.said.value


def test_what_is_recorded_already_is_not_asked_again(demo_copy):
    path = demo_copy / "pours.csv"
    path.write_text(path.read_text().replace("P01,M01,2026-02-06,18.76,,,,0.4,", "P01,M01,2026-02-06,18.76,,,,4.0,"))
    before = path.read_bytes()
    append_pours(demo_copy, read_table(path))
    assert path.read_bytes() == before


def test_a_correction_is_not_asked_about_what_stands(demo_copy):
    path = demo_copy / "pours.csv"
    path.write_text(path.read_text().replace("P01,M01,2026-02-06,18.76,,,,0.4,", "P01,M01,last week,18.76,,,,4.0,"))
    correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "defects": "bloom"}]), reason="seen late")
    with pytest.raises(PourError) as problem:
        correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "red paste [g]": 40}]), reason="slip")
    assert str(problem.value) == ("pours row 0: red paste [g] is 40, but 0.40 g were planned. "
                                  "Correct the weight, or write 'really so' in the note.")
    mended = pd.DataFrame([{"pour": "P01", "red paste [g]": 0.4, "date": "2026-02-06"}])
    assert correct_pours(demo_copy, mended, reason="slips").doubts == ()


def test_the_day_of_a_sitting_and_of_setting_aside(demo_copy):
    told = "is 'friday', which is no day. Write it as YYYY-MM-DD, such as 2026-03-08, or leave it empty."
    serving = pd.DataFrame([{"session": "9", "date": "friday", "tester": "T01", "code": "652", "pour": "P01"}])
    with pytest.raises(ScoreError) as problem:
        append_servings(demo_copy, serving)
    assert str(problem.value) == f"servings row 0: date {told}"
    with pytest.raises(ScoreError) as problem:
        set_aside(demo_copy, tester="T01", reason="cold", since="friday")
    assert str(problem.value) == f"set_aside row 0: since {told}"
    path = demo_copy / "servings.csv"
    path.write_text(path.read_text().replace("2026-02-08", "friday"))
    assert read_trial(demo_copy).doubts == (f"servings.csv session 1: date {told}",)


def test_a_row_of_means_among_the_scores_counts_as_a_tester_until_it_is_left_out(demo_copy):
    scores = read_trial(demo_copy).scores
    means = scores.groupby(["pour", "attribute"], sort=False)["score"].mean().round(1).reset_index()
    with open(demo_copy / "scores.csv", "a", encoding="utf-8") as file:
        for row in means.itertuples():
            file.write(f"{row.pour},Mean,,,{row.attribute},{row.score},,\n")
    trial = read_trial(demo_copy)
    assert trial.doubts == ("scores.csv: tester 'Mean' reads like no person, but what a spreadsheet makes of the scores. "
                            "Leave it out with set_aside, or give the tester another name.",)
    set_aside(demo_copy, tester="Mean", reason="a row of means")
    assert read_trial(demo_copy).doubts == ()


def test_two_weights_that_were_planned_alike_are_not_exchanged():
    """Half red and half yellow: each is what was planned of the other."""
    trial = Trial.from_toml(TERRACOTTA)
    points = trial.region.sample(2, seed=3).assign(red_share=0.5)
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M02"], pours=["P01", "P02"],
                                coordinates=points)
    made = trial.with_round(round_).with_pours(round_.as_poured())
    red, yellow = (made.pours[f"{colour} paste [g]"] for colour in ("red", "yellow"))
    assert (red == yellow).all() and made.doubts == ()


def test_a_pour_as_large_as_it_was_planned_is_not_too_much():
    """Planned at 20 g, and pours of 5 g are asked for since."""
    trial = Trial.from_toml(TERRACOTTA)
    round_ = plan_round(trial, pours=2, melts=2, seed=1)
    small = Trial.from_toml(TERRACOTTA.replace("pour_g = 20.0", "pour_g = 5.0")).with_round(round_)
    assert small.batch.pour_g == 5 and small.with_pours(round_.as_poured()).doubts == ()


def test_none_is_no_small_part_of_what_was_planned():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = plan_round(trial, pours=2, melts=2, seed=1)
    made = round_.as_poured().astype({"red paste [g]": object})
    made.loc[made.index[0], "red paste [g]"] = "none"
    assert trial.with_round(round_).with_pours(made).doubts == ()

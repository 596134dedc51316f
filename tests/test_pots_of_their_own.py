"""Without [melt] every pour has a pot of its own: a melt cell that says otherwise is doubted."""

import pandas as pd
import pytest
from definitions import HAZEL
from recorded import MELTS, POURS, planned_trial

from labkit import Trial, append_pours, append_round, new_trial, plan_round, read_trial
from labkit.__main__ import main
from labkit.errors import PourError

OTHER = "melt is M04, but M01 was planned. Correct the melt, or write 'really so' in the note."
SHARED = ("melt is {}, and so it is of {}, but trial.toml names no pot, so that each pour has its own. Leave the cell empty, or "
          "write 'really so' in the note.")


@pytest.fixture(scope="module")
def planned():
    """Four pours, P01 to P04, planned as M01 to M04."""
    trial = Trial.from_toml(HAZEL)
    round_ = plan_round(trial, pours=4, seed=1)
    made = round_.as_poured().astype(object)
    assert made["melt"].tolist() == ["M01", "M02", "M03", "M04"]
    return trial.with_round(round_), made


def refused(with_rows, frame):
    with pytest.raises(PourError) as problem:
        with_rows(frame)
    return str(problem.value)


def test_another_melt_than_planned(planned):
    trial, made = planned
    wrong = made.assign(melt=["M04", "", "M03", ""])
    assert refused(trial.with_pours, wrong) == f"pours row 0: {OTHER}"
    assert trial.with_tables({"pours": wrong}, files=True).doubts == (f"pours.csv pour P01: {OTHER}",)
    assert trial.with_pours(wrong.assign(note=["Really so", "", "", ""])).doubts == ()


def test_one_melt_for_all(planned):
    trial, made = planned
    doubts = trial.with_tables({"pours": made.assign(melt="M02")}, files=True).doubts
    assert [why.split(".")[1] for why in doubts] == [f"csv pour {p}: melt is M02, but {m} was planned"
                                                     for p, m in (("P01", "M01"), ("P03", "M03"), ("P04", "M04"))]


@pytest.mark.parametrize("melts", [["M01", "M02", "M03", "M04"], [""] * 4, ["M01", "", "M03", ""]])
def test_the_planned_one_or_none_is_no_doubt(planned, melts):
    trial, made = planned
    assert trial.with_pours(made.assign(melt=melts)).doubts == ()


def test_unplanned_pours_of_one_pot(planned):
    trial, made = planned
    free = made.iloc[:2].assign(pour=["X-01", "X-02"], melt="one")
    assert refused(trial.with_pours, free) == f"pours row 1: {SHARED.format('one', 'X-01')}"
    assert trial.with_tables({"pours": free}, files=True).doubts == (f"pours.csv pour X-02: {SHARED.format('one', 'X-01')}",)
    assert trial.with_pours(free.assign(note=["", "really so"])).doubts == ()
    assert trial.with_pours(free.assign(melt=["one", "two"])).doubts == trial.with_pours(free.assign(melt="")).doubts == ()
    kept = trial.with_pours(made)
    assert refused(kept.with_pours, free.assign(melt=["M01", ""])) == f"pours row 0: {SHARED.format('M01', 'P01')}"


def test_pours_that_were_planned_as_one_melt_stand(planned):
    trial, made = planned
    plan = trial.plan.assign(melt=["M01", "M01", "M02", "M02"])
    together = Trial.from_toml(HAZEL).with_tables({"plan": plan})
    assert together.with_pours(made.assign(melt=["M01", "M01", "M02", "M02"])).doubts == ()


def test_with_a_pot_pours_share_melts():
    trial = planned_trial().with_melts(MELTS).with_pours(POURS.iloc[[0]])
    assert trial.with_pours(POURS.iloc[[1]].assign(pour="X-01")).doubts == ()


def test_check_names_it(tmp_path, planned, capsys):
    trial, made = planned
    folder = tmp_path / "pot"
    new_trial(folder, HAZEL)
    append_round(folder, plan_round(read_trial(folder), pours=4, seed=1))
    with pytest.raises(PourError):
        append_pours(folder, made.assign(melt=["M04", "", "", ""]))
    append_pours(folder, made)
    path = folder / "pours.csv"
    path.write_text(path.read_text().replace("P01,M01", "P01,M04"))
    assert main(["check", str(folder)]) == 0
    assert f"In doubt: pours.csv pour P01: {OTHER}" in " ".join(capsys.readouterr().out.split())
    row = pd.read_csv(path).iloc[[0]].astype(object).assign(defects="bloom", corrects="P01", reason="seen late")
    assert len(read_trial(folder).with_pours(row).pours) == 5

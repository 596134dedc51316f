"""How many pours and melts a round may have: each limit is told with its reason, from one place, by every call."""
import pytest
from definitions import TERRACOTTA

import labkit
from labkit import checks
from labkit.__main__ import main
from labkit.errors import LabkitError

PLANNED = "one round holds 48 at most. Plan several rounds, each from what the one before has shown."
SUGGESTED = ("the search for a next round looks at 24 at most: pours of one round cannot learn from each other. Ask for fewer, "
             "and again once they are scored; plan_round plans up to 48.")


@pytest.mark.parametrize(("call", "named", "reason"), [
    (labkit.plan_round, {"pours": 49}, PLANNED), (labkit.plan_round, {"pours": 4, "melts": 60}, PLANNED),
    (labkit.plan_confirmation, {"pours": 49}, PLANNED),
    (labkit.suggest_next, {"pours": 25}, SUGGESTED), (labkit.suggest_next, {"melts": 48}, SUGGESTED),
    (labkit.compare_efforts, {"pours": 25}, SUGGESTED)])
def test_a_round_that_is_too_large(demo, call, named, reason):
    trial = labkit.Trial.from_toml(TERRACOTTA) if call is labkit.plan_round else demo
    with pytest.raises(LabkitError) as caught:
        call(trial, **named)
    name, value = list(named.items())[-1]
    assert str(caught.value) == f"{name} is {value}, and {reason}"


@pytest.mark.parametrize("option", ["pours", "melts"])
def test_the_command_line_tells_the_same(option, capsys):
    for command in ("next", "rehearse"):
        assert main([command, "any", f"--{option}", "30"]) == 2
        assert capsys.readouterr().err == f"labkit: --{option} is 30, and {SUGGESTED}\n"


def test_both_limits_stand_in_one_place():
    assert (checks.MOST_PLANNED, checks.MOST_SUGGESTED) == (48, 24)
    assert (checks.too_large(48), checks.too_large(24)) == (PLANNED, SUGGESTED)


@pytest.mark.parametrize("command", ["check", "next"])
def test_a_folder_is_read_once(demo_copy, command, capsys, monkeypatch):
    """So that all that is said is said of one state of its files."""
    from labkit import __main__, store
    folders, read = [], __main__.read_folder
    monkeypatch.setattr(__main__, "read_folder", lambda folder: folders.append(folder) or read(folder))
    for module in (labkit, store):                  # in this order: labkit takes it from store when it is first asked
        monkeypatch.setattr(module, "read_trial", lambda folder: pytest.fail("read again"))
    assert main([command, str(demo_copy), *(["--pours", "1", "--melts", "1"] if command == "next" else [])]) == 0
    assert len(folders) == 1


@pytest.mark.parametrize(("name", "known", "text"), [
    ("pour", ["pours", "melts"], "Did you mean 'pours'?"), ("x", ["pours"], "Choose.")])
def test_a_name_that_is_not_known(name, known, text):
    assert checks.meant_or(name, known, "Choose.") == text


def test_only_one_place_looks_for_near_names():
    import pathlib
    folder = pathlib.Path(labkit.__file__).parent
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*.py")
             for word in ("difflib", "Did you mean") if word in path.read_text(encoding="utf-8")}
    assert found == {"checks.py", "pours/rows.py"}             # in a docstring there


def test_only_one_place_makes_a_round_of_the_plan():
    import pathlib
    folder = pathlib.Path(labkit.__file__).parent
    assert [path.relative_to(folder).as_posix() for path in folder.rglob("*.py")
            if 'Round(number=' in path.read_text(encoding="utf-8")
            and 'sort_values("order")' in path.read_text(encoding="utf-8")] == ["planning/given.py"]


@pytest.mark.parametrize("pours, melts, expected", [(6, None, (6, 2)), (None, 3, (4, 3)), (3, None, (3, 2)), (None, 1, (4, 1)),
                                                    (1, 2, (1, 1)), (None, None, (4, 2))])
def test_before_scores_what_was_asked_for_stands_and_the_other_is_proposed(pours, melts, expected):
    """Six pours in as many melts as pay were planned as four pours in two."""
    round_ = labkit.suggest_next(labkit.Trial.from_toml(TERRACOTTA), pours=pours, melts=melts).round
    assert (len(round_.pours), len(round_.melts)) == expected

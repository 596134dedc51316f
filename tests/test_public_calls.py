"""Every public call, given what it cannot use: one sentence of fact and one of advice, never Python's own error."""
import inspect
import pickle

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit import LabkitError

CALLS = sorted(name for name in labkit.__all__ if not isinstance(getattr(labkit, name), type))
NONSENSE = ["x", None, 5, 2.5, True, [], {}, (), np.array([1]), pd.Series(dtype=float), pd.DataFrame(), object()]


def needed(name):
    return [p for p in inspect.signature(getattr(labkit, name)).parameters.values() if p.default is p.empty]


def refused(name, *given, **named):
    with pytest.raises(LabkitError) as caught:
        getattr(labkit, name)(*given, **named)
    return str(caught.value)


def test_there_are_calls_to_check():
    assert len(CALLS) > 40


@pytest.mark.parametrize("name", CALLS)
class TestNonsense:
    @pytest.fixture(autouse=True)
    def elsewhere(self, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)

    @pytest.mark.parametrize("thing", NONSENSE, ids=lambda thing: type(thing).__name__)
    def test_for_all_that_is_needed(self, name, thing):
        if name == "new_trial" and isinstance(thing, str):
            return
        places = [thing for p in needed(name) if p.kind is not p.KEYWORD_ONLY]
        refused(name, *places, **{p.name: thing for p in needed(name) if p.kind is p.KEYWORD_ONLY})

    def test_a_text_alone_where_more_is_needed(self, name):
        if len(needed(name)) < 2:
            return
        told = refused(name, "trials/mine")
        missing = [p.name for p in needed(name)][1:]
        assert told.startswith(f"{name} was not given {missing[0]}") and f"Call it as {name}(" in told

    def test_nothing_at_all(self, name):
        assert refused(name).startswith(f"{name} was not given {needed(name)[0].name}")

    def test_a_word_that_it_does_not_take(self, name):
        assert refused(name, colour="red").startswith(f"{name} does not take colour. ")

    def test_too_many(self, name):
        assert refused(name, *"a" * 20).startswith(f"{name} was given 20 values by place, but takes ")

    def test_it_is_the_call_of_its_room(self, name):
        inner = inspect.unwrap(getattr(labkit, name))
        assert inspect.signature(getattr(labkit, name)) == inspect.signature(inner)
        assert getattr(labkit, name) is getattr(labkit, name) and pickle.loads(pickle.dumps(inner)) is inner


@pytest.mark.parametrize("call, words", [
    (lambda: labkit.draw_region("trials/mine"),
     "draw_region was not given along. Call it as draw_region(trial, along)."),
    (lambda: labkit.plan_serving("x"),
     "plan_serving was not given pours and testers. Call it as plan_serving(trial, pours=..., testers=...)."),
    (lambda: labkit.plan_round("x", pour=4), "plan_round does not take pour. Did you mean 'pours'?"),
    (lambda: labkit.read_trial("x", into="y"), "read_trial does not take into. Choose folder."),
    (lambda: labkit.read_trial("x", "y"),
     "read_trial was given 2 values by place, but takes folder so. Name the others, or leave them out."),
    (lambda: labkit.read_trial("x", folder="y"),
     "read_trial was given folder twice, by place and by name. Give it once."),
])
def test_the_words(call, words):
    with pytest.raises(LabkitError) as caught:
        call()
    assert str(caught.value) == words


def test_an_error_of_python_within_is_not_hidden(monkeypatch):
    """Only the call is checked: a slip in our own code, or in a world of the caller's, is not taken for one of theirs."""
    def slip(trial, *, level=0.9):
        return len(5)

    monkeypatch.setattr("labkit.reach.reach_of", slip)
    with pytest.raises(TypeError):
        labkit.reach_of("x")

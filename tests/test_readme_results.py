"""What README.md says of results is true of every public function, by what it says that it returns."""
import inspect
import typing

import pandas as pd

import labkit
from labkit.surfaces.surface import Surface

FRAMES = {"compare_settled", "settled_by_round", "rehearse"}
VERBS = ("plan_", "appraise_", "fit_", "suggest_", "reach_", "tell_", "compare_", "settled_", "rehearse")


def returned(name):
    call = getattr(labkit, name)
    return typing.get_type_hints(call).get("return", inspect.signature(call).return_annotation)


def test_results_print_show_and_give_their_numbers():
    names = [name for name in labkit.__all__ if name.startswith(VERBS)]
    assert len(names) == 17
    for name in names:
        kind = returned(name)
        if name in FRAMES:
            assert kind is pd.DataFrame, name
            continue
        kind = Surface if name == "fit_surfaces" else kind
        assert all(part in vars(kind) for part in ("to_frame", "__str__", "_repr_html_")), name


def test_surfaces_come_in_a_dict():
    assert returned("fit_surfaces") == dict[str, Surface]

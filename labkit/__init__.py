"""labkit: plan, pour, score and settle small batches of tinted lip colour.

Every public name is loaded from its room when it is first asked for (PEP 562), so `import labkit` is cheap.
"""
from importlib import import_module

__version__ = "0.1.0"

_ROOMS = {
    "errors": ("LabkitError", "FormulaError", "RegionError", "TrialError", "StoreError", "PlanError",
               "PourError", "ScoreError", "PanelError", "SurfaceError", "TweakError", "RehearsalError",
               "NotYetError"),
    "trial": ("Trial",),
    "records": ("appraise_records",),
    "store": ("read_trial", "new_trial", "append_round", "append_melts", "append_pours", "append_servings",
              "append_scores", "append_readings", "correct_scores", "correct_pours", "correct_melts",
              "correct_readings", "set_aside", "take_back", "read_scores"),
    "store.keeping": ("keep_sheet",),
    "serving": ("plan_serving",),
    "panel": ("appraise_panel",),
    "reach": ("reach_of",),
    "planning": ("plan_round", "appraise_round"),
    "surfaces": ("fit_surfaces", "fit_failing"),
    "tweaks": ("suggest_next", "compare_settled", "settled_by_round", "compare_efforts", "plan_confirmation",
               "appraise_confirmation", "tell_tradeoffs"),
    "rehearsal": ("World", "rehearse", "rehearse_many"),
    "figures": ("draw_region", "draw_round", "draw_panel", "draw_testers", "draw_surface", "draw_along",
                "draw_triangle", "draw_outlook", "draw_path"),
    "sheets": ("bench_sheet", "ballots", "ballot_book"),
    "forms": ("pours_form", "scores_form", "readings_form"),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}
__all__ = sorted(_ROOM_OF)


def __getattr__(name):
    if name in _ROOM_OF:
        found = getattr(import_module(f"labkit.{_ROOM_OF[name]}"), name)
        return found if isinstance(found, type) else import_module("labkit.checks").checked_call(found)
    if name in _ROOMS:
        return import_module(f"labkit.{name}")
    raise AttributeError(f"module 'labkit' has no attribute {name!r}")


def __dir__():
    return sorted([*globals(), *__all__])

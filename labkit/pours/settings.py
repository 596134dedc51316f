"""Settings that a hand can hardly have meant: the point in another place, another unit, a sign too many.

As with weights it is refused in new rows, and in a file it stands and is named; see `doubts`.
"""

from collections.abc import Iterable, Mapping

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import GROSS, REALLY_SO, is_meant
from labkit.statements import Setting
from labkit.wording import unit_text

ABOUT = 0.1  # of what was planned: as near to it is a value whose point has moved by one place
APART = 0.1  # of the range: what is set once a melt may be read off a little otherwise at each of its pours
PART = 0.5   # of the largest value of the range or plan: a narrow range is missed by more than its width in all honesty


def doubt_of_settings(row: Mapping, recipe: Recipe, planned: Mapping[str, float], where: str) -> str:
    """Fact and advice about the first setting of a pour that is in doubt, or nothing."""
    if is_meant(row):
        return ""
    for setting in recipe.setting_list:
        value, meant = row[setting.name], planned.get(setting.name)
        meant = None if is_blank(meant) else meant
        if not is_blank(value) and _is_doubtful(value, meant, setting, failed=row["outcome"] != "ok"):
            return _words(value, meant, setting, where)
    return ""


def set_otherwise(row: Mapping, others: Iterable[Mapping], recipe: Recipe, where: str) -> str:
    """The same of what cannot change within one pot, and was set otherwise for another of `others` from that pot."""
    pot = [other for other in others if recipe.pot and row["melt"] and other["melt"] == row["melt"]]
    for setting in [s for s in recipe.setting_list if s.per_melt and not is_meant(row)]:
        near = max(APART * (setting.high - setting.low), setting.room)
        for other in pot:
            one, two = row[setting.name], other[setting.name]
            if not is_blank(one) and not is_blank(two) and abs(one - two) > near:
                return (f"{where}: {setting.name} is {one:g}, but {two:g} for {other['pour']} of the same melt "
                        f"{row['melt']}, and trial.toml has it per melt. Correct one of them, or write '{REALLY_SO}' "
                        "in the note.")
    return ""


def _is_doubtful(value: float, meant: float | None, setting: Setting, *, failed: bool) -> bool:
    """Whether a value lies far outside of range and plan, or a little outside and at ten times or a tenth of the plan.

    Far is the width of both together and half of what is largest there. A range that was narrowed since, or some
    degrees beside a narrow one, are no doubt; a pour that failed or that no round planned may lie three times as far.
    """
    ends = [setting.low, setting.high] + ([] if meant is None else [meant])
    low, high = min(ends), max(ends)
    outside = max(low - value, value - high)
    if outside <= 0:
        return False
    far = max(high - low, PART * max(abs(low), abs(high)))
    if meant is not None and any(abs(times * value - meant) <= ABOUT * abs(meant) for times in (0.1, 10)):
        return True
    return 0 < (GROSS * far if failed or meant is None else far) < outside


def _words(value: float, meant: float | None, setting: Setting, where: str) -> str:
    unit = f" {unit_text(setting.unit)}" if setting.unit else ""
    plan = "" if meant is None else f"{meant:g} was planned and "
    return (f"{where}: {setting.name} is {value:g}, but {plan}it runs from {setting.low:g} to {setting.high:g}{unit}. "
            f"Correct the setting, or write '{REALLY_SO}' in the note.")

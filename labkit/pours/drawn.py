"""Which pot a pour is of: another than planned, a later one, one that is shared where every pour has its own."""

from collections.abc import Iterable, Mapping

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import REALLY_SO, is_meant
from labkit.pours.rows import is_before
from labkit.pours.weights import BASE


def other_melt(row: Mapping, planned: Mapping, where: str) -> str:
    """Fact and advice about a pour that is of another melt than was planned."""
    meant = planned.get("melt", row["melt"])
    if row["melt"] == meant or is_meant(row):
        return ""
    return (f"{where}: melt is {row['melt']}, but {meant} was planned. Correct the melt, or write '{REALLY_SO}' in the "
            "note.")


def drawn_otherwise(row: Mapping, planned: Mapping, where: str) -> str:
    """The same of a pour whose base was drawn from a melt."""
    return "" if is_blank(row[BASE]) else other_melt(row, planned, where)


def before_its_melt(row: Mapping, melted: Mapping[str, str], where: str) -> str:
    """Fact and advice about a base that was drawn on a day before its melt was made; melted : day by melt."""
    day = melted.get(row["melt"], "")
    if is_blank(row[BASE]) or is_meant(row) or not is_before(row["date"], day):
        return ""
    return (f"{where}: date is {row['date']}, but its melt {row['melt']} was made on {day}. Correct the date of the "
            f"pour or of the melt, or write '{REALLY_SO}' in the note.")


def pot_of_another(row: Mapping, others: Iterable[Mapping], recipe: Recipe, meant: Mapping[str, Mapping],
                   where: str) -> str:
    """Where trial.toml names no pot: fact and advice about a melt that is not the planned one, or that others have too.

    Pours of one name are fitted as one melt. What was planned so stands, and an empty cell is a pot of its own.
    """
    if recipe.pot or not row["melt"] or is_meant(row):
        return ""
    if why := other_melt(row, meant.get(row["pour"], {}), where):
        return why
    there = [other["pour"] for other in others if other["pour"] != row["pour"] and other["melt"] == row["melt"]
             and not is_meant(other) and not _are_told(row, other, meant)]
    if not there:
        return ""
    return (f"{where}: melt is {row['melt']}, and so it is of {there[0]}, but trial.toml names no pot, so that each "
            f"pour has its own. Leave the cell empty, or write '{REALLY_SO}' in the note.")


def _are_told(row: Mapping, other: Mapping, meant: Mapping[str, Mapping]) -> bool:
    """Whether both were planned as one melt, or the other one is told of as being of another than was planned."""
    there = meant.get(other["pour"], {}).get("melt")
    return there is not None and (there != other["melt"] or meant.get(row["pour"], {}).get("melt") == there)

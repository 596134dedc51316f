"""The words of a panel: reports in the order of the maker's questions."""

import numpy as np
import pandas as pd

from labkit.attributes import decimals, digits_of
from labkit.panel.comparisons import letters_of
from labkit.panel.ordinal import FEW_STEPS, read_as_order, steps_of
from labkit.panel.scored import SPREAD_OF_POURS
from labkit.scores import differs_in, spelled_alike
from labkit.wording import (
    Report,
    as_counted,
    decimal_text,
    grid,
    grid_of,
    heading,
    line,
    number_text,
    p_texts,
    plural,
    report,
    words_joined,
)

TELLS = 0.05           # p below which the testers' orders have something in common
LEANS = 2.0            # standard errors from which a tester is said to score high or low
NOTABLE = 0.05         # and the least part of the scale that is worth a word
NAMED = 2              # testers named in one sentence


def panel_report(panel) -> Report:
    """Do they agree? Who leans? Which pours differ? How much is noise, and how many testers would it take?"""
    return report(
        heading(f"Do they agree? {panel.trial_name}"), *_agreement_blocks(panel),
        heading("Who leans?"), *_tester_blocks(panel),
        heading("Which pours differ?"), *_pour_blocks(panel),
        heading("How much is noise, and how many testers would it take?"), *_noise_blocks(panel),
        *_power_blocks(panel),
    )


def agree_sentence(panel) -> str:
    """On which attributes the testers tell the pours apart."""
    frame = panel.agreement.set_index("attribute")
    testers, pours = (len({name for scored in panel.scored.values() for name in getattr(scored, kind)})
                      for kind in ("testers", "pours"))
    start = f"{plural(testers, 'tester')} scored {plural(pours, 'pour')}"
    if testers == 1:
        return f"{start}: with one tester nothing can be said about agreement."
    if pours == 1:
        return f"{start}: with one pour there is nothing to tell apart."
    told = [_with_icc(panel, name, row) for name, row in frame.iterrows() if row["p"] < TELLS]
    rest = [_with_icc(panel, name, row) for name, row in frame.iterrows() if not row["p"] < TELLS]
    if not told:
        return f"{start}, in an order that is not yet more than chance on {words_joined(rest, last='or')}."
    return f"{start} and tell them apart on {words_joined(told)}" + (
        f", not yet on {words_joined(rest, last='or')}." if rest else ".")


def _with_icc(panel, name: str, row: pd.Series) -> str:
    if panel.scored[name].all_equal:
        return f"{name} (every score the same)"
    return f"{name} (icc {row['icc']:.2f})" if np.isfinite(row["icc"]) else f"{name} (too few scores)"


def lean_sentence(panel) -> str:
    """Who scores high or low, and what looks odd."""
    leaning, flags = _leaning(panel), panel.flags
    if panel.testers["tester"].nunique() == 1:
        return f"There is nobody to compare {panel.testers['tester'].iloc[0]} with."
    words = [f"{tester} scores {words_joined(parts)}" for tester, parts in list(leaning.items())[:NAMED]]
    others = len(leaning) - len(words)
    start = ", ".join(words) if words else "Nobody clearly scores high or low"
    start += f", and {plural(others, 'other tester')} less so" if others else ""
    if flags.empty:
        return f"{start}; no score looks odd."
    more = f" ({plural(len(flags) - 1, 'more flag')} in the report)" if len(flags) > 1 else ""
    return f"{start}; to look at: {flags['says'].iloc[0]}{more}."


def _leaning(panel) -> dict[str, list[str]]:
    """tester -> `high on payoff (+1.2)` where that is clear and worth a word, who leans most first."""
    frame = panel.testers
    width = frame["attribute"].map({name: scored.attribute.width for name, scored in panel.scored.items()})
    clear = frame["level"].abs() > np.maximum(NOTABLE * width, LEANS * frame["level_se"])
    frame = frame.assign(part=frame["level"] / width)[clear]
    total = frame["part"].abs().groupby(frame["tester"]).sum().sort_values(ascending=False, kind="stable")
    return {tester: _sides(frame[frame["tester"] == tester], panel) for tester in total.index}


def _sides(rows: pd.DataFrame, panel) -> list[str]:
    """`high on payoff (+1.2) and hardness (+0.9)`, `low on shade (-1.0)`; `high on everything (+0.9 to +1.2)`."""
    found = []
    for side, own in (("high", rows[rows["level"] > 0]), ("low", rows[rows["level"] < 0])):
        told = [panel.scored[name].attribute.told(level, sign="+")
                for name, level in zip(own["attribute"], own["level"])]
        parts = [f"{name} ({level})" for name, level in zip(own["attribute"], told)]
        if len(own) == len(panel.attributes) > 1:
            ends = [told[k] for k in np.argsort(own["level"].abs(), kind="stable")]
            parts = [f"everything ({words_joined(dict.fromkeys([ends[0], ends[-1]]), last='to')})"]
        found += [f"{side} on {words_joined(parts)}"] if parts else []
    return found


def _agreement_blocks(panel) -> list:
    frame = panel.agreement
    shown = frame[["attribute", "testers", "pours", "icc", "low", "high", "reliability", "kendall_w", "test", "p"]]
    blocks = [line(agree_sentence(panel)), grid_of(shown.assign(p=p_texts(shown["p"])))]
    kinds = [kind for kind in dict.fromkeys(frame["icc_from"]) if kind != "none"]
    if kinds:
        blocks.append(line(
            f"icc ({words_joined(kinds)}): how alike the single scores of two testers are, leaning counted as "
            "disagreement, with 90 % limits. reliability: the share of the differences between the pours' means that "
            f"is not noise; it begins at how far pours usually differ ({SPREAD_OF_POURS:g} of the scale), so that of "
            "few pours it is high even where they are alike. Kendall's W: of those who scored every pour, 1 is one "
            "common order."))
    return blocks + [line(text) for text in (*_notes(panel), *_not_by_testers(panel))]


def _not_by_testers(panel) -> list[str]:
    return [f"{name} is read by an instrument and not by testers: see its surface." for name in panel.by_instrument]


def _notes(panel) -> list[str]:
    notes = []
    for name, scored in panel.scored.items():
        if scored.all_equal and len(scored.pours) > 1:
            value = scored.scores["score"].iloc[0]
            notes.append(f"Every score of {name} is {value:g}: the pours are alike, or the scale is not used.")
        groups = scored.islands()
        if len(groups) > 1:
            parts = words_joined([words_joined(group) for group in groups], last="and of")
            notes.append(f"{name}: no tester scored pours of {parts} alike, so how these compare rests on the "
                         "stated spread of the testers.")
    names = as_counted(tester for scored in panel.scored.values() for tester in scored.testers)
    for i, one in enumerate(names):
        twins = [other for other in names[i + 1:] if spelled_alike(other) == spelled_alike(one)]
        notes += [f"{one} and {other} differ only in {differs_in(one, other)}: if they are one tester, correct the "
                  "scores." for other in twins]
    return notes


def _tester_blocks(panel) -> list:
    blocks = [line(lean_sentence(panel)), _by_tester(panel, "level", "level: points above the panel")]
    if np.ptp(panel.testers["slope"]) > 0:
        blocks.append(_by_tester(panel, "slope", "use of the scale: 1 is the panel's, 2 twice as wide"))
        blocks.append(line(
            "This is the use to expect of the next pours, drawn towards 1 by what is not known. As scored, without "
            "that (right on average, but less sure), it is slope_alone in panel.testers."))
    return blocks + [line(f"Look at: {says}.") for says in panel.flags["says"]] + _sitting_blocks(panel)


def _sitting_blocks(panel) -> list:
    """Position and session, where there is anything to say."""
    frame = panel.sittings
    frame = frame[frame["p"].notna()]
    if frame.empty:
        return []
    return [grid_of(frame.assign(p=p_texts(frame["p"])), title="does the place in the sitting matter?")]


def _by_tester(panel, column: str, title: str):
    """Testers by attributes, each value with its standard error."""
    frame, cells = panel.testers, {}
    attributes = list(dict.fromkeys(frame["attribute"]))
    for _, row in frame.iterrows():
        places = 2 if column == "slope" else decimals(2, panel.scored[row["attribute"]].attribute.finer)
        value = decimal_text(row[column], places, "+" if column == "level" else "")
        cells[row["tester"], row["attribute"]] = f"{value} ({row[column + '_se']:.{places}f})"
    testers = as_counted(frame["tester"])
    rows = [[tester, *(cells.get((tester, name), "") for name in attributes)] for tester in testers]
    return grid(["tester", *attributes], rows, title=f"{title} (standard error)")


def _pour_blocks(panel) -> list:
    frame, marks = panel.pours, {name: letters_of(scored) for name, scored in panel.scored.items()}
    frame = frame.assign(letters=[letter for name in panel.attributes for letter in marks[name]])
    attributes, pours = list(dict.fromkeys(frame["attribute"])), list(dict.fromkeys(frame["pour"]))
    told = {name: scored.attribute.told for name, scored in panel.scored.items()}
    cells = {(row["pour"], row["attribute"]):
             f"{told[row['attribute']](row['mean'], 2)} ({told[row['attribute']](row['se'], 2)}) {row['letters']}"
             for _, row in frame.iterrows()}
    rows = [[pour, *(cells.get((pour, name), "") for name in attributes)] for pour in pours]
    blocks = [
        grid(["pour", *attributes], rows, title="adjusted mean (standard error) letters"),
        line("Pours that share a letter cannot be told apart (all pairs together, 5 %). A mean is what would be seen "
             "had every tester of the panel scored the pour. Its standard error is due to testers alone; the same "
             "formula poured again differs by more."),
    ]
    blocks += [line(read_as_order(scored).says) for scored in panel.scored.values()
               if 2 <= steps_of(scored) <= FEW_STEPS and len(scored.pours) > 1 and len(scored.testers) > 1]
    if panel.unscored:
        blocks.append(line(f"Nobody has scored {words_joined(panel.unscored)}."))
    if panel.all_aside:
        blocks.append(line(f"All scores of {words_joined(panel.all_aside)} are set aside."))
    return blocks


def _noise_blocks(panel) -> list:
    shown = panel.noise[["attribute", "source", "stated", "found", "low", "high", "says"]]
    return [grid_of(shown, digits=_in_digits(panel, shown, "stated", "found", "low", "high"))]


def _in_digits(panel, table: pd.DataFrame, *columns: str) -> dict[str, list[int]]:
    """Decimals of some columns, by the attribute that each row names."""
    scales = {name: scored.attribute for name, scored in panel.scored.items()}
    return dict.fromkeys(columns, digits_of(table["attribute"], scales))


def _power_blocks(panel) -> list:
    frame = panel.power
    named = frame.rename(columns={"sees": "see", "asked": "to see", "testers_for_asked": "takes testers"})
    shown = named[["attribute", "testers", "pours", "see", "to see", "takes testers"]]
    places = _in_digits(panel, shown, "see", "to see")
    widths = [panel.scored[name].attribute.width for name in shown["attribute"]]
    shown = shown.assign(see=["more than the scale" if value > width else number_text(value, digits)
                              for value, width, digits in zip(shown["see"], widths, places["see"], strict=True)])
    return [
        grid_of(shown, digits=places,
                title="difference between two pours that the letters above show four times in five"),
        line("This is with all pairs of so many pours together (5 %), at the noise found. What it takes is that many "
             "testers, each of whom scores every pour; a single pair, chosen before anyone tastes, takes fewer."),
        line("A difference that was not found may still be there: so few testers cannot show that two pours are the "
             "same. Whether people like it is another question, for sixty or so (ISO 8587:2006)."),
    ]

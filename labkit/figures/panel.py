"""What the testers said about each pour, and what is left when their leanings are taken out."""

import numpy as np

from labkit.figures.axes import axes_or_new, called, check_panel, title_and_marks, wrapped
from labkit.panel import Panel

RAW = {"marker": "o", "color": "0.55", "markersize": 4, "markerfacecolor": "none", "markeredgewidth": 0.9}
RINGS = {"marker": "o", "s": 16, "facecolor": "none", "edgecolor": "0.55", "linewidth": 0.9}
CLEAR, REACH = 0.14, 0.4    # of a row: between these, above and below the mean, rings lie
END_WORDS = 24              # letters under an end of the scale: two of them fit beside each other
MEAN = {"marker": "D", "color": "black", "markersize": 6}


def draw_panel(panel: Panel, attribute: str, ax=None):
    """A row a pour, highest on top: each score as a ring, the adjusted mean with its 90 % interval. Returns the Axes.

    Rings of one tester lie at one height within the rows. The interval is what the testers leave open, not how much a
    second pour of the same formula would differ.
    """
    import seaborn

    check_panel(panel)
    scored = panel.scored_for(attribute)
    means = panel.pours.query("attribute == @attribute").set_index("pour").sort_values("mean", kind="stable")
    scale, place = scored.attribute, {pour: row for row, pour in enumerate(means.index)}
    ax = axes_or_new(ax, size=(6.4, 1.4 + 0.36 * len(means)))
    scores, offsets = scored.scores, _offsets(scored.testers)
    height = scores["pour"].map(place) + scores["tester"].map(offsets)
    seaborn.scatterplot(x=scores["score"], y=height, ax=ax, zorder=2, legend=False, **RINGS)
    ax.hlines(range(len(means)), means["low"], means["high"], color="black", linewidth=2.2, zorder=3)
    ax.plot(means["mean"], range(len(means)), linestyle="none", zorder=4, **MEAN)
    ax.set_yticks(range(len(means)), means.index)
    _label(ax, scale, rows=len(means))
    title_and_marks(ax, f"{panel.trial_name}: {called(scale)}", _marks())
    return ax


def _offsets(testers: tuple[str, ...]) -> dict[str, float]:
    """A height within the row for each tester, from top to bottom; the middle is left to the mean, which hid a ring."""
    above = -(-len(testers) // 2)
    sides = [(np.arange(count) + 0.5) / count for count in (above, len(testers) - above) if count]
    far = [CLEAR + (REACH - CLEAR) * side for side in sides]
    return dict(zip(testers, np.concatenate([far[0][::-1], *(-side for side in far[1:])]), strict=True))


def _label(ax, scale, *, rows: int) -> None:
    """The scale with the words at its ends."""
    ends = [f"\n{wrapped(end, END_WORDS)}" if end else "" for end in scale.ends]
    ax.set_xticks([scale.low, (scale.low + scale.high) / 2, scale.high],
                  [f"{scale.low:g}{ends[0]}", f"{(scale.low + scale.high) / 2:g}", f"{scale.high:g}{ends[1]}"])
    ax.set(xlim=(scale.low - 0.03 * scale.width, scale.high + 0.03 * scale.width), ylim=(-0.7, rows - 0.3),
           xlabel=f"{called(scale)} [score]", ylabel="pour")
    ax.grid(axis="y", color="0.9", linewidth=0.8, zorder=0)


def _marks() -> list:
    from matplotlib.lines import Line2D

    return [Line2D([], [], linestyle="none", label="one score", **RAW),
            Line2D([], [], linewidth=2.2, label="adjusted mean, 90 % interval", **MEAN)]

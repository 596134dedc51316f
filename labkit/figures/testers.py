"""Who leans, who uses more of the scale, and how far they agree."""

from labkit.errors import PanelError
from labkit.figures.axes import axes_or_new, called, check_panel, title_over
from labkit.figures.names import label_points
from labkit.panel import Panel
from labkit.wording import REACH_90


def draw_testers(panel: Panel, attribute: str, ax=None):
    """A cross a tester: level (above the panel) across, use of the scale (1 is the panel's) up. Returns the Axes.

    Arms are 90 % intervals. Lines stand where a tester is like the panel as a whole; the title says how far single
    scores agree.
    """
    check_panel(panel)
    scored = panel.scored_for(attribute)
    scale = scored.attribute
    table = panel.testers.query("attribute == @attribute").set_index("tester")
    if len(table) < 2:
        raise PanelError(f"{attribute} was scored by {len(table)} tester. Have two or more score it.")
    ax = axes_or_new(ax, size=(6.0, 4.6))
    ax.axvline(0, color="0.75", linewidth=1.0, zorder=1)
    ax.axhline(1, color="0.75", linewidth=1.0, zorder=1)
    ax.errorbar(table["level"], table["slope"], xerr=scored.multiple * table["level_se"],
                yerr=REACH_90 * table["slope_se"], linestyle="none", marker="o", color="black", ecolor="0.45",
                elinewidth=1.2, markersize=6, zorder=3)
    ax.set(xlabel=f"level: points of {called(scale)} above the panel", ylabel="use of the scale [1 = the panel's]")
    row = panel.agreement.set_index("attribute").loc[attribute]
    agree = "" if row["icc"] != row["icc"] else f"\nicc {row['icc']:.2f} ({row['low']:.2f} to {row['high']:.2f})"
    title_over(ax, f"{panel.trial_name}: testers of {called(scale)}{agree}")
    label_points(ax, table["level"], table["slope"])
    return ax

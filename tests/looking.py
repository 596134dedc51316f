"""What a figure shows, read off its Axes."""
from matplotlib.text import Annotation


def words(ax):
    """Names beside pours; the values on lines are no annotations."""
    return [text.get_text() for text in ax.texts if isinstance(text, Annotation)]


def names(ax):
    """The names beside pours, one by one."""
    return {name for text in words(ax) for name in text.split(", ")}


def marks(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def lines_of(ax):
    """(level, points (n, 2)) of every line that carries a value."""
    from matplotlib.contour import ContourSet
    return [(level, path.vertices) for lines in ax.collections if isinstance(lines, ContourSet) and not lines.filled
            for level, path in zip(lines.levels, lines.get_paths()) if len(path.vertices)]

"""A grid of blank text boxes with a message beside each, and the frame of a form around it."""

import html
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from labkit.checks import parse_number
from labkit.errors import LabkitError
from labkit.pours import NONE_ADDED, says_none

Cell = tuple[str, str]                  # row, column
_STAYS = ("<style>.labkit-row { position: sticky; left: 0; z-index: 2; align-self: stretch; margin: 0; padding: 2px; "
          "background: var(--jp-layout-color0, white); }</style>")
_BLANK = "Leave the box empty if there is no number, or write digits with one comma or point."
_RUN_AGAIN = "If a box shows only text, or nothing happens: Run > Run All Cells. What was saved comes back."


@dataclass(frozen=True, kw_only=True)
class Column:
    """What a column of boxes takes: words, or a number within low..high."""

    name: str
    under: str = ""                     # small words under the name: unit, ends of the scale
    low: float | None = None
    high: float | None = None
    words: bool = False
    may_be_none: bool = False           # the word "none" stands for: nothing was added
    width: str = "130px"
    off: str = "Leave the box empty if it was not judged."      # advice about a number off its scale

    def value_of(self, text: str, *, row: str) -> float | str | None:
        """The entry in a box: None where it is blank, otherwise words or a number; anything else is refused."""
        text = text.strip()
        if not text or self.words:
            return text or None
        if self.may_be_none and says_none(text):
            return NONE_ADDED
        where = f"{row}: {self.name}"
        advice = "" if self.may_be_none else _BLANK
        return self._within(parse_number(text, where=where, error=LabkitError, or_blank=advice), where)

    def _within(self, value: float, where: str) -> float:
        if self.high is None and self.low is not None and value < self.low:
            raise LabkitError(f"{where} is {value:g}; the least is {self.low:g}. Weigh again.")
        if self.high is not None and not self.low <= value <= self.high:
            raise LabkitError(f"{where} is {value:g}; it runs from {self.low:g} to {self.high:g}. {self.off}")
        return value


def nothing_done(*found: Mapping[Cell, object]) -> str:
    """What is said where there is nothing to save: all of what stands in the boxes is saved, or none holds anything."""
    if any(found):
        return "Nothing new: all of this is saved already."
    return "Nothing to save: the boxes are empty."


def as_typed(number: float) -> str:
    """A number as it would be typed, with every digit: a box that nobody touched is read as what is saved."""
    return repr(float(number)).removesuffix(".0")


@dataclass(frozen=True, kw_only=True, eq=False)
class Grid:
    """Boxes by (row, column), each with its message; `widget` shows them under their heads.

    shown : by box the text of what was saved when it was last looked up, changed by `follow` and `settle` alone.
    """

    columns: Mapping[str, Column]
    boxes: Mapping[Cell, object]
    marks: Mapping[Cell, object]
    shown: dict[Cell, str]
    widget: object

    def follow(self, texts: Mapping[Cell, str]) -> None:
        """What was saved elsewhere in the meantime, `texts`, comes into the boxes that nobody touched."""
        for cell, box in self.boxes.items():
            if box.value == self.shown[cell]:
                box.value = texts.get(cell, "")
            self.shown[cell] = texts.get(cell, "")

    def settle(self) -> None:
        """What stands in the boxes is saved."""
        self.shown.update((cell, box.value) for cell, box in self.boxes.items())

    def entries(self) -> dict[Cell, float | str] | None:
        """What stands in the boxes that are not blank, or None when a box cannot be read and now says why."""
        found, wrong = {}, False
        for (row, column), box in self.boxes.items():
            self.mark((row, column), "")
            try:
                found[row, column] = self.columns[column].value_of(box.value, row=row)
            except LabkitError as problem:
                self.mark((row, column), str(problem))
                wrong = True
        return None if wrong else {cell: value for cell, value in found.items() if value is not None}

    def mark(self, cell: Cell, message: str) -> None:
        """Show a message beside a box; a blank one takes it away."""
        text = f"<div role='alert' style='color:#a00000;font-size:90%;line-height:1.25'>{html.escape(message)}</div>"
        self.marks[cell].value = text if message else ""


def grid_of_boxes(rows: Mapping[str, str], columns: list[Column], *, texts: Mapping[Cell, str],
                  meant: Mapping[Cell, str], name: str) -> Grid:
    """Boxes filled with `texts` (what is on disk), with what was `meant` in small print; `rows` holds words by row."""
    import ipywidgets as widgets

    cells = {(row, column.name): column for row in rows for column in columns}
    boxes = {cell: widgets.Text(value=texts.get(cell, ""), layout=widgets.Layout(width=column.width),
                                continuous_update=True) for cell, column in cells.items()}
    for (row, column), box in boxes.items():
        box.add_class(re.sub(r"[\W_]+", "-", f"{name}-{row}-{column}").strip("-"))     # a class holds no blanks
    marks = {cell: widgets.HTML(layout=widgets.Layout(width=column.width)) for cell, column in cells.items()}
    heads = [_words(f"<b>{html.escape(c.name.replace('_', ' '))}</b>", c.under) for c in columns]
    shown = [_in_sight(_words(_STAYS)), *heads]
    for row, about in rows.items():
        shown.append(_in_sight(_words(f"<b>{html.escape(row)}</b>", about)))
        shown += [widgets.VBox([boxes[row, c.name], _words("", meant.get((row, c.name), "")), marks[row, c.name]])
                  for c in columns]
    widths = " ".join(["90px", *(f"calc({c.width} + 14px)" for c in columns)])
    frame = widgets.GridBox(shown, layout=widgets.Layout(grid_template_columns=widths, align_items="flex-start",
                                                         overflow="auto"))
    shown_first = {cell: texts.get(cell, "") for cell in cells}
    return Grid(columns={c.name: c for c in columns}, boxes=boxes, marks=marks, shown=shown_first, widget=frame)


def _in_sight(widget):
    """A name of a row, which stays where it is when a wide grid is moved under it."""
    widget.add_class("labkit-row")
    return widget


def _words(large: str, small: str = ""):
    import ipywidgets as widgets

    note = f"<div style='font-size:85%;line-height:1.2'>{html.escape(small)}</div>" if small else ""
    return widgets.HTML(f"<div style='line-height:1.3'>{large}{note}</div>" if large or note else "")


@dataclass(frozen=True, kw_only=True, eq=False)
class Form:
    """Grids, a box for the reason of a correction, a button, and the line that says what happened."""

    grids: Mapping[str, Grid]
    date: object
    reason: object
    button: object
    said: object
    widget: object

    def say(self, message: str) -> None:
        """Show one line under the button."""
        self.said.value = f"<span role='status'>{html.escape(message)}</span>"

    def _repr_mimebundle_(self, **kwargs):
        return self.widget._repr_mimebundle_(**kwargs)


def form_around(grids: Mapping[str, Grid], *, title: str, help_: str, caution: str, with_date: bool,
                save: Callable[["Form"], str]) -> Form:
    """A form whose button calls `save`, which returns what happened or raises a LabkitError with what is wrong."""
    import ipywidgets as widgets

    wide = widgets.Layout(width="420px")
    date = widgets.Text(description="date", placeholder="2025-03-08")
    reason = widgets.Text(description="reason", placeholder="only to change what is saved already", layout=wide)
    button = widgets.Button(description="Save", button_style="")
    button.add_class("labkit-save")
    said = widgets.HTML()
    said.add_class("labkit-said")
    parts = [_words(f"<h3 style='margin:0'>{html.escape(title)}</h3>", help_), *([date] if with_date else []),
             *(grid.widget for grid in grids.values()), reason, widgets.HBox([button, said]), _words("", _RUN_AGAIN),
             _words("", caution)]
    form = Form(grids=grids, date=date, reason=reason, button=button, said=said, widget=widgets.VBox(parts))

    def saved(_):
        try:
            form.say(save(form))
        except LabkitError as problem:
            form.say(f"Nothing was saved. {problem}")

    button.on_click(saved)
    return form

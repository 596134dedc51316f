"""Rows of text -> aligned text or HTML: one report, two faces made from the same blocks."""

import html
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

UNITS = ("°C", "%", "g", "mg", "mL", "mm", "h", "min", "minutes")
NO_BREAK = "\u00a0"
_PAIR = re.compile(rf"(?<=\d) (?=(?:{'|'.join(UNITS)})(?!\w))")
_BESIDE = re.compile(r"(?<=\d) (?=\()|(?<=\d\)) (?=\w+$)")      # a number, what it is unsure by, and its letters
REACH_90 = 1.645  # standard deviations in half of a 90 % interval
NOTHING_YET = 0.8  # of the prior's spread: what is still as unsure as that has not been told by the data


def words_joined(words: Iterable[object], *, last: str = "and") -> str:
    """`a, b and c`."""
    items = [str(word) for word in words]
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {last} {items[-1]}" if items else "nothing"


def as_counted(names: Iterable[str]) -> list[str]:
    """Each name once, in the order of `in_turn`."""
    return sorted(set(names), key=in_turn)


def in_turn(name: str) -> tuple:
    """By which names are sorted as people count: their digits as numbers between the letters, so 2 before 10."""
    return tuple(int(part) if k % 2 else part for k, part in enumerate(re.split("([0-9]+)", name))), name


def plural(count: int, noun: str) -> str:
    """`1 pour`, `2 pours`; -s and -x take -es, a consonant before -y gives -ies."""
    if count == 1:
        return f"{count} {noun}"
    if noun.endswith("y") and noun[-2:-1] not in "aeiou":
        return f"{count} {noun[:-1]}ies"
    return f"{count} {noun}es" if noun.endswith(("s", "x")) else f"{count} {noun}s"


def about(count: float, noun: str) -> str:
    """`6 testers`; of a number between two whole ones both: `2 to 3 testers`."""
    least, most = int(count + 1e-9), -int(-(count - 1e-9) // 1)
    return plural(least, noun) if least >= most else f"{least} to {plural(most, noun)}"


def beside_stated(stated: float, low: float, found: float, high: float) -> str:
    """How a standard deviation that was found, with its 90 % interval, stands beside the stated one."""
    if 0.8 <= found / stated <= 1.25:
        return "about as stated"
    word = "more than stated" if found > stated else "less than stated"
    return f"perhaps {word}" if low < stated < high else word


def noise_found(name: str, stated: float, found: float, unsure: float, prior_unsure: float) -> dict[str, object]:
    """found, low and high (90 %), says: a standard deviation whose logarithm is known to `unsure`, before to the last.

    What is still nearly as unsure as the prior, and about as stated, has not been told by the data.
    """
    low, high = found * math.exp(-REACH_90 * unsure), found * math.exp(REACH_90 * unsure)
    nothing_yet = found > 0 and unsure > NOTHING_YET * prior_unsure and abs(math.log(found / stated)) < prior_unsure / 3
    says = f"the data say nothing yet about {name}" if nothing_yet else beside_stated(stated, low, found, high)
    return {"found": found, "low": low, "high": high, "says": says}


def p_texts(chances: Iterable[float]) -> list[str]:
    """Chances of a test in four decimals, and never as none; blank where there is no test."""
    return ["" if math.isnan(p) else "<.0001" if p < 0.0001 else f"{p:.4f}" for p in chances]


def number_text(value: object, digits: int = 2) -> str:
    """A number with `digits` decimals, blank where there is none, text as it is."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) or not hasattr(value, "__float__"):
        return str(value)
    text = f"{float(value):.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def grams_text(grams: float) -> str:
    """A weight to 0.01 g, or in as many decimals as a finer balance gave it."""
    return f"{grams:.2f}" if abs(grams - round(grams, 2)) < 1e-6 else f"{grams:.6f}".rstrip("0")


def decimal_text(value: float, places: int, sign: str = "") -> str:
    """A number with so many decimals; what they show nothing of is 0.0, and +0.0 where it has a sign, never -0.0."""
    return f"{float(f'{value:.{places}f}') + 0.0:{sign}.{places}f}"


def short_text(value: float) -> str:
    """A number in three digits, in whole ones from a thousand on and never in powers of ten there."""
    return f"{value:.3g}" if abs(value) < 999.5 else f"{value:.0f}"


@dataclass(frozen=True, kw_only=True)
class Block:
    """One block of a report: a heading, a line, or a grid of cells under a header."""

    kind: str
    text: str = ""
    header: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def heading(text: str) -> Block:
    """A heading."""
    return Block(kind="heading", text=text)


def line(text: str) -> Block:
    """A sentence or a paragraph of its own."""
    return Block(kind="line", text=text)


def grid(header: Sequence[str], rows: Iterable[Sequence[object]], title: str = "") -> Block:
    """Cells under a header; cells are turned to text with two decimals."""
    cells = tuple(tuple(number_text(cell) for cell in row) for row in rows)
    return Block(kind="grid", text=title, header=tuple(map(str, header)), rows=cells)


def grid_of(
    frame: pd.DataFrame, *, digits: int | Mapping[str, int | Sequence[int]] = 2, title: str = "",
    index: str | None = None
) -> Block:
    """A frame as a grid; `digits` for all columns or by column, there for all rows or by row.

    index : a name for the index when it is to be shown.
    """
    table = frame.rename_axis(index).reset_index() if index else frame
    places = digits if isinstance(digits, Mapping) else {}
    usual = 2 if isinstance(digits, Mapping) else digits
    header = tuple(map(str, table.columns))
    columns = [_texts(table[c].tolist(), places.get(c, usual)) for c in table.columns]
    return Block(kind="grid", text=title, header=header, rows=tuple(zip(*columns, strict=True)) if columns else ())


def _texts(values: Sequence[object], digits: int | Sequence[int]) -> list[str]:
    each = [digits] * len(values) if isinstance(digits, int) else digits
    return [number_text(value, places) for value, places in zip(values, each, strict=True)]


@dataclass(frozen=True, kw_only=True)
class Report:
    """Blocks in reading order, shown as text or as HTML."""

    blocks: tuple[Block, ...]

    def as_text(self, width: int = 100) -> str:
        """Plain text: headings underlined, lines wrapped at `width`, grids aligned."""
        return "\n".join(_block_text(block, width) for block in self.blocks).strip("\n")

    def as_html(self) -> str:
        """The same rows as an HTML fragment without styles of its own."""
        return "\n".join(_block_html(block) for block in self.blocks)


def report(*blocks: Block) -> Report:
    """A report of these blocks."""
    return Report(blocks=tuple(blocks))


def unit_text(unit: str) -> str:
    """A unit as it is printed: degC in trial.toml is °C."""
    return unit.replace("degC", "°C")


def digits_of_range(low: float, high: float) -> int:
    """Decimals of the power of ten next to a hundredth of a range; below 0 for tens and more."""
    return -math.floor(math.log10((high - low) / 99))


def digits_of_step(step: float) -> int:
    """Decimals that tell every multiple of a step: 2 of 0.01 and of 0.05, 1 of 0.1 and of 0.5, 0 of 1; at most 4."""
    return next((k for k in range(4) if abs(step - round(step, k)) <= 1e-6 * abs(step)), 4)


def _block_text(block: Block, width: int) -> str:
    import textwrap

    if block.kind == "heading":
        return f"\n{block.text}\n{'-' * len(block.text)}"
    if block.kind == "line":
        text = kept_together(block.text)
        return textwrap.fill(text, width, break_long_words=False, break_on_hyphens=False).replace(NO_BREAK, " ")
    title = f"{block.text}\n" if block.text else ""
    return title + "\n".join(_aligned(block.header, block.rows, width))


def kept_together(text: str) -> str:
    """The text with a no-break space between each number and the unit behind it."""
    return _PAIR.sub(NO_BREAK, text)


def _aligned(header: tuple[str, ...], rows: tuple[tuple[str, ...], ...], width: int) -> list[str]:
    """Columns of numbers to the right, columns of words to the left, two blanks between; a wide grid goes on below."""
    columns = list(zip(header, *rows, strict=True))
    widths = [max(map(len, column)) for column in columns]
    right = [_is_numeric(column[1:]) for column in columns]
    lines = []
    for places in _folds(_names_of_rows(header, rows), widths, width):
        for cells in (header, *rows):
            shown = [cells[k].rjust(widths[k]) if right[k] else cells[k].ljust(widths[k]) for k in places]
            lines.append("  " + "  ".join(shown).rstrip())
    return lines


def _names_of_rows(header: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> list[int]:
    """The column that names the rows; the first two where one alone leaves some alike, such as session and tester."""
    if "pour" in header:
        return [header.index("pour")]
    return [0, 1] if len({row[0] for row in rows}) < len({row[:2] for row in rows}) == len(rows) else [0]


def _folds(lead: list[int], widths: list[int], width: int) -> list[list[int]]:
    """Columns side by side within `width`; every further fold begins with what names the rows."""
    folds: list[list[int]] = [[]]
    for k in range(len(widths)):
        if folds[-1] and sum(widths[j] + 2 for j in (*folds[-1], k)) > width:
            folds.append(list(lead))
        folds[-1].append(k)
    return folds


def _is_numeric(cells: tuple[str, ...]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(cell.lstrip("+-<").replace(".", "", 1).rstrip("%").isdigit() for cell in filled)


def _cell_html(cell: str) -> str:
    """A long name may go on below at an underscore, so that a table is narrow where the page is; a value may not."""
    return html.escape(_BESIDE.sub(NO_BREAK, kept_together(cell))).replace("_", "_<wbr>")


def _block_html(block: Block) -> str:
    if block.kind == "heading":
        return f"<h4>{html.escape(block.text)}</h4>"
    if block.kind == "line":
        return f"<p>{html.escape(kept_together(block.text))}</p>"
    right = [_is_numeric(column) for column in zip(*block.rows, strict=True)] or [False] * len(block.header)
    style = ['style="text-align:right"' if r else 'style="text-align:left"' for r in right]
    head = "".join(f"<th {s}>{_cell_html(c)}</th>" for c, s in zip(block.header, style, strict=True))
    body = "\n".join(
        "<tr>" + "".join(f"<td {s}>{_cell_html(c)}</td>" for c, s in zip(row, style, strict=True)) + "</tr>"
        for row in block.rows
    )
    caption = f"<caption>{html.escape(block.text)}</caption>" if block.text else ""
    return f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>\n{body}\n</tbody></table>"

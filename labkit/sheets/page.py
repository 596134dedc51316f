"""A template of this folder, filled in. The only place that knows jinja2."""

import re

UNITS = ("°C", "%", "g", "mg", "mL", "mm", "h", "min", "minutes")
NO_BREAK = "\u00a0"
_PAIR = re.compile(rf"(?<=\d) (?=(?:{'|'.join(UNITS)})(?!\w))")


def page(template: str, **values) -> str:
    """The text of one HTML file; whatever is filled in is escaped, and nothing may be missing.

    A number and its unit stay on one line. A blank to be written on is no number: templates keep it with its unit.
    """
    import jinja2

    house = jinja2.Environment(loader=jinja2.PackageLoader("labkit.sheets"), autoescape=True, trim_blocks=True,
                               lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    return together(house.get_template(template).render(**values))


def together(text: str) -> str:
    """The text with a no-break space between each number and the unit behind it."""
    return _PAIR.sub(NO_BREAK, text)

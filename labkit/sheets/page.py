"""A template of this folder, filled in. The only place that knows jinja2."""

from labkit.wording import kept_together


def page(template: str, **values) -> str:
    """The text of one HTML file; whatever is filled in is escaped, and nothing may be missing.

    A number and its unit stay on one line. A blank to be written on is no number: templates keep it with its unit.
    """
    import jinja2

    house = jinja2.Environment(loader=jinja2.PackageLoader("labkit.sheets"), autoescape=True, trim_blocks=True,
                               lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    return kept_together(house.get_template(template).render(**values))

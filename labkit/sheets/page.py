"""A template of this folder, filled in. The only place that knows jinja2."""


def page(template: str, **values) -> str:
    """The text of one HTML file; whatever is filled in is escaped, and nothing may be missing."""
    import jinja2

    house = jinja2.Environment(loader=jinja2.PackageLoader("labkit.sheets"), autoescape=True, trim_blocks=True,
                               lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    return house.get_template(template).render(**values)

"""What depends on what: one surface an attribute, read twice."""

from labkit.surfaces.surface import Surface, fit_surfaces

__all__ = ["Surface", "fit_surfaces"]

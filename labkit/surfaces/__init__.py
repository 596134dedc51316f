"""What depends on what: one surface an attribute, read twice; and the chance that a pour fails."""

from labkit.surfaces.failing import Failing, any_failed, fit_failing
from labkit.surfaces.surface import Surface, fit_surfaces

__all__ = ["Failing", "Surface", "any_failed", "fit_failing", "fit_surfaces"]

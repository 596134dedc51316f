"""Pictures of trials and finished results: each returns Axes; no surface is fitted, nothing shown or written here."""

from labkit.figures.along import draw_along
from labkit.figures.outlook import draw_outlook
from labkit.figures.panel import draw_panel
from labkit.figures.path import draw_path
from labkit.figures.region import draw_region
from labkit.figures.rounds import draw_round
from labkit.figures.surface import draw_surface
from labkit.figures.testers import draw_testers
from labkit.figures.triangle import draw_triangle

__all__ = ["draw_along", "draw_outlook", "draw_panel", "draw_path", "draw_region", "draw_round", "draw_surface",
           "draw_testers", "draw_triangle"]

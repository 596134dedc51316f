"""Widgets for JupyterLab: blank boxes, one parser, and nothing saved before everything can be read.

A number box of a browser loses what it cannot read, so every box here is a text box. A blank box is no entry. What
lies on disk already stands in the boxes when a form is made; after the kernel has stopped, run the cells again.
"""

from labkit.forms.made import pours_form
from labkit.forms.read import readings_form
from labkit.forms.said import scores_form

__all__ = ["pours_form", "readings_form", "scores_form"]

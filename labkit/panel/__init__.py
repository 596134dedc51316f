"""Do the testers agree, who leans, and which pours differ?"""

from labkit.panel.appraisal import Panel, appraise_panel

__all__ = ["Panel", "appraise_panel"]

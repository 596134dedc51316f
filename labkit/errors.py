"""One class per stage under `LabkitError`; each message is one sentence of fact and one of advice."""


class LabkitError(Exception):
    """Something that labkit was given cannot be used as it is."""


class FormulaError(LabkitError, ValueError):
    """A definition, or a formula under it, that does not add up."""


class RegionError(LabkitError, ValueError):
    """Limits that leave nothing, or a point outside what they allow."""


class TrialError(LabkitError, ValueError):
    """A trial.toml, or a table of a trial, that cannot be read as one development."""


class StoreError(LabkitError, ValueError):
    """A folder or file that cannot be read or written."""


class PlanError(LabkitError, ValueError):
    """A round that cannot be planned as asked."""


class PourError(LabkitError, ValueError):
    """A melt, pour or reading that cannot have been made as recorded."""


class ScoreError(LabkitError, ValueError):
    """A serving or a score that cannot stand as recorded."""


class PanelError(LabkitError, ValueError):
    """Scores from which the panel cannot be appraised."""


class SurfaceError(LabkitError, ValueError):
    """A surface that cannot be fitted or asked as wanted."""


class TweakError(LabkitError, ValueError):
    """A next tweak that cannot be chosen as asked."""


class RehearsalError(LabkitError, ValueError):
    """A rehearsal that cannot be played as asked."""


class NotYetError(LabkitError, NotImplementedError):
    """Something that is planned and not built; DEVELOPERS.md lists it."""

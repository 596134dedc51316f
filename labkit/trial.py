"""The whole of one development in memory: what was defined, planned, made, served and said."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import pandas as pd

from labkit.aside import ASIDE_COLUMNS, aside_standing, doubts_on_what_is_aside, standing_scores, typed_aside
from labkit.attributes import Attribute
from labkit.checks import check_choice, check_frame, check_type
from labkit.days import doubts_on_days
from labkit.definition import NOISE, READ_NOISE, Definition, doubts_on_what_is_written, read_definition
from labkit.errors import LabkitError, PlanError, TrialError
from labkit.formula import Recipe
from labkit.handing import Tables, fixed
from labkit.pours import doubts_on_what_was_made, melt_columns, pour_columns, standing_pours, typed_melts, typed_pours
from labkit.readings import READING_COLUMNS, doubts_on_what_was_read, standing_readings, typed_readings
from labkit.region import Region
from labkit.reordered import doubts_on_order
from labkit.rounds import Batch, Cost, Round, plan_columns, typed_plan
from labkit.scores import SCORE_COLUMNS, SERVING_COLUMNS, doubts_on_what_was_said, typed_scores, typed_servings
from labkit.served import doubts_on_people
from labkit.swapped import doubts_on_names
from labkit.weighed import Weighed, weighed_pours
from labkit.wording import in_turn, plural, words_joined

TABLES = ("plan", "melts", "pours", "servings", "scores", "set_aside", "readings")


@dataclass(frozen=True, kw_only=True, eq=False)
class Trial:
    """One development, frozen: its definition and tables. Each `with_...` checks new rows and returns a new trial."""

    definition: Definition
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict, repr=False)

    def __post_init__(self):
        recipe = self.definition.recipe
        columns = {
            "plan": plan_columns(recipe),
            "melts": melt_columns(recipe),
            "pours": pour_columns(recipe),
            "servings": SERVING_COLUMNS,
            "scores": SCORE_COLUMNS,
            "set_aside": ASIDE_COLUMNS,
            "readings": READING_COLUMNS,
        }
        full = {name: self.tables[name] if name in self.tables else pd.DataFrame(columns=list(columns[name]))
                for name in TABLES}
        object.__setattr__(self, "tables", Tables(full))

    @classmethod
    def from_toml(cls, text: str) -> "Trial":
        """A trial without rounds from the text of a trial.toml."""
        check_type(text, str, name="the definition", advice="Give the text of a trial.toml.", error=TrialError)
        return cls(definition=read_definition(text))

    # What was defined

    @property
    def name(self) -> str:
        return self.definition.name

    @property
    def notes(self) -> str:
        return self.definition.notes

    @property
    def markets(self) -> tuple[str, ...]:
        return self.definition.markets

    @property
    def recipe(self) -> Recipe:
        return self.definition.recipe

    @property
    def region(self) -> Region:
        return self.definition.region

    @property
    def attributes(self) -> Mapping[str, Attribute]:
        return self.definition.attributes

    @property
    def batch(self) -> Batch:
        return self.definition.batch

    @property
    def cost(self) -> Cost:
        return self.definition.cost

    @property
    def prices(self) -> Mapping[str, float]:
        return self.definition.prices

    @property
    def scored_attributes(self) -> Mapping[str, Attribute]:
        """What testers score."""
        return fixed({name: a for name, a in self.attributes.items() if not a.is_read})

    @property
    def read_attributes(self) -> Mapping[str, Attribute]:
        """What an instrument reads."""
        return fixed({name: a for name, a in self.attributes.items() if a.is_read})

    def noise_of(self, attribute: str) -> dict[str, float]:
        """Stated prior standard deviations of the sources of noise, in units of the attribute's scale.

        The five of scores; of an instrument's attribute round, melt, pour and reading, and nothing from testers.
        """
        own, width = self.attributes[attribute], self.attributes[attribute].width
        if own.is_read:
            none = dict.fromkeys(NOISE, 0.0)
            return none | {source: own.noise.get(source, part * width) for source, part in READ_NOISE.items()}
        return {source: self.definition.noise.get(source, part * width) for source, part in NOISE.items()}

    def formula_at(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Factor columns -> ingredient columns, g/g."""
        return self.recipe.formula_at(frame)

    def factors_of(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Ingredient columns, g/g -> factor columns."""
        return self.recipe.factors_of(frame)

    # What was recorded

    @property
    def plan(self) -> pd.DataFrame:
        return self.tables["plan"]

    @property
    def melts(self) -> pd.DataFrame:
        return self.tables["melts"]

    @property
    def pours(self) -> pd.DataFrame:
        return self.tables["pours"]

    @property
    def servings(self) -> pd.DataFrame:
        return self.tables["servings"]

    @property
    def scores(self) -> pd.DataFrame:
        return self.tables["scores"]

    @property
    def set_aside(self) -> pd.DataFrame:
        return self.tables["set_aside"]

    @property
    def readings(self) -> pd.DataFrame:
        return self.tables["readings"]

    # What follows from it

    @cached_property
    def _weighed(self) -> Weighed:
        """The pours as weighed; a limit is kept as nearly as one balance step can tell."""
        return weighed_pours(self.tables, self.recipe, self.region, self.batch)

    @property
    def made(self) -> pd.DataFrame:
        """By pour: round (0 where unplanned), melt, ok, outcome, inside the present limits, coordinates as weighed."""
        return self._weighed.made

    @property
    def made_formulas(self) -> pd.DataFrame:
        """By pour: the formula as weighed, g/g."""
        return self._weighed.formulas

    @property
    def left_out(self) -> Mapping[str, str]:
        """Pours that cannot be expressed in the present factors, each with the reason."""
        return self._weighed.left_out

    @property
    def left_out_at(self) -> Mapping[str, tuple[str, str]]:
        """By pour that is left out: the table, and the name of the pour or melt in its row, where that is mended."""
        return self._weighed.places

    @property
    def doubts(self) -> tuple[str, ...]:
        """What stands in the tables and can hardly be so, a sentence of fact and one of advice each."""
        said = doubts_on_what_was_said(
            self.tables["scores"], self.tables["servings"], poured=_days(self.tables["pours"], "pour"))
        said += doubts_on_what_was_read(self.tables["readings"])
        written = doubts_on_what_is_written(self.recipe.shelf)
        made = doubts_on_what_was_made(self.tables, self.recipe, self.batch)
        said += doubts_on_days(self.tables) + doubts_on_order(self.tables) + doubts_on_people(self._standing)
        names = doubts_on_names(self.attributes, self._standing, self._weighed.made, per_melt=self.recipe.per_melt)
        return (*written, *made, *said, *names, *doubts_on_what_is_aside(self.tables, self.attributes))

    @property
    def failed(self) -> tuple[str, ...]:
        """Pours whose outcome is not ok."""
        standing = standing_pours(self.tables["pours"])
        return tuple(sorted(standing.loc[standing["outcome"] != "ok", "pour"], key=in_turn))

    @cached_property
    def _standing(self) -> pd.DataFrame:
        found = standing_scores(self.tables["scores"], self.tables["set_aside"])
        return found[found["pour"].isin(self._weighed.made.index)].reset_index(drop=True)

    @property
    def standing_scores(self) -> pd.DataFrame:
        """Scores after corrections and without what is set aside, of pours that can be expressed."""
        return self._standing.copy()

    @cached_property
    def _standing_readings(self) -> pd.DataFrame:
        aside = aside_standing(self.tables["set_aside"].to_dict("records"))
        found = standing_readings(self.tables["readings"], aside, self.attributes)
        return found[found["pour"].isin(self._weighed.made.index)].reset_index(drop=True)

    @property
    def standing_readings(self) -> pd.DataFrame:
        """pour, attribute, value: readings of attributes, but for what is set aside, of pours that can be expressed."""
        return self._standing_readings.copy()

    @cached_property
    def _judged(self) -> pd.DataFrame:
        parts = [self._standing[["pour", "attribute"]], self._standing_readings[["pour", "attribute"]]]
        return pd.concat([part for part in parts if len(part)] or parts[:1]).drop_duplicates(ignore_index=True)

    @property
    def judged(self) -> pd.DataFrame:
        """pour, attribute: what has a standing score or reading, each pair once."""
        return self._judged.copy()

    def drift(self, pour: str) -> pd.Series:
        """By ingredient [g/g]: what was weighed less the formula at its own factors, which no factor describes."""
        formulas = self._weighed.formulas
        if pour not in formulas.index:
            raise TrialError(
                f"pour {pour!r} is not among the weighed pours. Choose {words_joined(formulas.index, last='or')}."
            )
        return self.recipe.drift(formulas.loc[[pour]]).loc[pour]

    @property
    def next_round(self) -> int:
        return int(self.tables["plan"]["round"].max()) + 1 if len(self.tables["plan"]) else 1

    def next_pours(self, count: int) -> list[str]:
        """Names for the next pours."""
        return _next_names("P", {*self.tables["plan"]["pour"], *self.tables["pours"]["pour"]}, count)

    def next_melts(self, count: int) -> list[str]:
        """Names for the next melts."""
        return _next_names(
            "M", {*self.tables["plan"]["melt"], *self.tables["melts"]["melt"], *self.tables["pours"]["melt"]}, count
        )

    # A new trial with more rows

    def with_round(self, round_: Round) -> "Trial":
        """The trial with a planned round."""
        check_type(round_, Round, name="the round", error=PlanError,
                   advice="Give what plan_round or suggest_next(...).round returned.")
        return self.with_tables({"plan": round_.to_frame()})

    def with_melts(self, frame: pd.DataFrame) -> "Trial":
        return self.with_tables({"melts": frame})

    def with_pours(self, frame: pd.DataFrame) -> "Trial":
        return self.with_tables({"pours": frame})

    def with_servings(self, frame: pd.DataFrame) -> "Trial":
        """The trial with servings: a frame, or what plan_serving returned."""
        return self.with_tables({"servings": getattr(frame, "frame", frame)})

    def with_scores(self, frame: pd.DataFrame) -> "Trial":
        """The trial with scores: a frame, or what read_scores returned."""
        return self.with_tables({"scores": getattr(frame, "ready", frame)})

    def with_readings(self, frame: pd.DataFrame) -> "Trial":
        return self.with_tables({"readings": frame})

    def with_set_aside(self, frame: pd.DataFrame) -> "Trial":
        return self.with_tables({"set_aside": frame})

    def with_tables(self, frames: Mapping[str, pd.DataFrame], *, files: bool = False) -> "Trial":
        """The trial with the rows of several tables, checked in the order in which they came about.

        The index of a frame names its rows in messages; `files` says that they were read from `<table>.csv`. What
        can hardly be so is refused in new rows; in a file it stands, and `doubts` names it. So with a weight that was
        planned and is left empty, but its pours are left out.
        """
        trial = self
        for table in frames:
            check_choice(table, TABLES, name="a table", error=TrialError)
        for table in TABLES:
            if table in frames:
                frame = check_frame(frames[table], what=f"the {table} frame", error=TrialError)
                news = trial._typed(table, frame, f"{table}.csv" if files else table, whole=not files)
                old = trial.tables[table]
                joined = (
                    pd.concat([old, news], ignore_index=True)
                    if len(old) and len(news)
                    else (news if len(news) else old)
                )
                trial = replace(trial, tables={**trial.tables, table: joined.reset_index(drop=True)})
        return trial

    def _typed(self, table: str, frame: pd.DataFrame, name: str, *, whole: bool) -> pd.DataFrame:
        """New rows of one table with ids as text and numbers as numbers."""
        recipe, old = self.recipe, self.tables[table]
        poured = set(self.tables["pours"]["pour"])
        made = {"batch": self.batch, "plan": self.tables["plan"], "table": name, "recorded": old, "whole": whole}
        if table == "plan":
            return typed_plan(frame, recipe, self.batch, table=name, known=set(old["pour"]))
        if table == "melts":
            return typed_melts(frame, recipe, **made)
        if table == "pours":
            return typed_pours(frame, recipe, melts=_days(self.tables["melts"], "melt"), **made)
        if table == "servings":
            pours, scores = poured | set(self.tables["plan"]["pour"]), self.tables["scores"]
            dated = {"recorded": old, "poured": _days(self.tables["pours"], "pour"), "whole": whole}
            return typed_servings(frame, table=name, pours=pours, scores=scores, **dated)
        if table == "scores":
            said = {"servings": self.tables["servings"], "recorded": old, "whole": whole}
            return typed_scores(frame, self.attributes, table=name, pours=poured, **said)
        if table == "set_aside":
            return typed_aside(frame, table=name, recorded=old, whole=whole)
        return typed_readings(frame, self.attributes, table=name, pours=poured, recorded=old, whole=whole)

    def __repr__(self) -> str:
        rounds = self.next_round - 1
        return (
            f"<Trial {self.name}: {plural(rounds, 'round')}, {plural(self.tables['pours']['pour'].nunique(), 'pour')}, "
            f"{plural(len(self.standing_scores), 'score')}"
            + (f", {plural(len(self.standing_readings), 'reading')}>" if self.read_attributes else ">")
        )


def _days(table: pd.DataFrame, kind: str) -> dict[str, str]:
    """By melt or pour: the day that its last row has."""
    return dict(zip(table[kind], table["date"], strict=True))


def _next_names(letter: str, taken: set[str], count: int) -> list[str]:
    numbers = [int(name[1:]) for name in taken if name[:1] == letter and name[1:].isdigit()]
    start = max(numbers, default=0) + 1
    return [f"{letter}{k:02d}" for k in range(start, start + count)]


def check_trial(trial: object, *, error: type[LabkitError]) -> None:
    """What was given is a trial, and not the name of one or the path of its folder."""
    check_type(trial, Trial, name="the trial", advice="Give what read_trial(folder) returned.", error=error)

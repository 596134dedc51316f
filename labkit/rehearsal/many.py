"""A trial rehearsed many times: how many evenings will this take?"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import check_whole
from labkit.errors import RehearsalError
from labkit.handing import hands_out_copies
from labkit.planning.question import usual_testers
from labkit.records import check_wanted
from labkit.rehearsal.fitted import worlds_of
from labkit.rehearsal.sharing import Progress, shared_out
from labkit.rehearsal.table import tester_names
from labkit.rehearsal.whole import check_sizes, rehearse
from labkit.rehearsal.world import World
from labkit.scores import known_ids
from labkit.trial import check_trial
from labkit.tweaks import desirability_of, suggest_next
from labkit.wording import Report, grid_of, heading, line, plural, report

REACHED = 0.9                  # of the best possible: a formula that is as good as found
MOST = 0.9                     # nine rehearsals in ten
TITLE = "How many evenings will this take?"
TABLE = ("By evening: cost so far, the settled formula's desirability as a part of the best possible (median and lower "
         "decile), the shares that are at .9 of it or above, and that were told to stop:")


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Rehearsals:
    """Rehearsals of one trial, each with a seed of its own.

    frame : rows seed by round, with the columns of `rehearse`, after `seed` and `evening`; `ratio before` is what the
    formula that one would settle on beforehand reaches. told : how they were played, in words. stops_today : whether
    the trial is told to stop as it stands.
    """

    frame: pd.DataFrame
    told: str
    stops_today: bool = False

    def to_frame(self) -> pd.DataFrame:
        return self.frame

    def by_evening(self) -> pd.DataFrame:
        """Index evening from 0 (none yet): cost, ratio (median), lower (decile), reached and stopped (shares).

        reached : at REACHED or above then. Worlds in which no formula is of any use are not counted.
        """
        counted = _counted(self.frame)
        before = counted[counted["evening"] == 1].assign(evening=0, cost=0.0, stop=self.stops_today)
        rows = pd.concat([before.assign(ratio=before["ratio before"]), counted])
        rows = rows.assign(stop=rows.groupby("seed")["stop"].cummax(), reached=(rows["ratio"] >= REACHED).astype(float))
        found = rows.groupby("evening").agg(
            cost=("cost", "mean"), ratio=("ratio", "median"), lower=("ratio", lambda part: part.quantile(0.1)),
            reached=("reached", "mean"), stopped=("stop", "mean"))
        return found.astype(float)

    def as_told(self) -> pd.DataFrame:
        """A row a rehearsal where it was told to stop first, once it had gone on for an evening, or its last."""
        first = self.frame[self.frame["stop"]].drop_duplicates("seed")
        last = self.frame.drop_duplicates("seed", keep="last")
        return pd.concat([first, last]).drop_duplicates("seed").sort_index().reset_index(drop=True)

    def _report(self) -> Report:
        table = self.by_evening()
        if not len(table):
            return report(heading(TITLE), line(self.told), *map(line, _nowhere(self.frame)))
        counted = _counted(self.frame)["seed"].nunique()
        sentences = [self.told, _reach(table, 0.5, "half", counted), _reach(table, MOST, "nine in ten", counted),
                     _stopping(self), *_nowhere(self.frame)]
        if table["reached"].iloc[-1] < 0.5:
            sentences.pop(2)
        return report(heading(TITLE), *map(line, sentences), line(TABLE),
                      grid_of(table, index="evening"))

    def __str__(self) -> str:
        return self._report().as_text()

    def _repr_html_(self) -> str:
        return self._report().as_html()

    def __repr__(self) -> str:
        table = self.by_evening()
        if not len(table):
            return f"<Rehearsals: {self.frame['seed'].nunique()}, none of which counts>"
        return (f"<Rehearsals: {self.frame['seed'].nunique()}, after {plural(int(table.index[-1]), 'evening')} "
                f"{table['ratio'].iloc[-1]:.2f} of the best possible>")


def rehearse_many(trial, world: World | Callable[[int], World] | None = None, seeds: Sequence[int] = range(8),
                  rounds: int = 3, pours: int = 4, melts: int = 2, testers: int | Sequence[str] | None = None,
                  workers: int = 2, progress: Progress | None = None) -> Rehearsals:
    """Rehearse a trial once a seed, side by side, from where it stands.

    world : one for all, or a function seed -> World, so that the truth is uncertain too; left out, worlds are drawn
    from what priors and the scores so far leave open (`worlds_of`). testers : as in `rehearse`; left out, as many as
    score a usual pour so far (3 where that is between 2 and 3), or 6. workers : processes, where the platform can fork.
    progress : called with (done, total).

    Seeds and rounds repeat bit for bit, whatever the number of workers.
    """
    check_trial(trial, error=RehearsalError)
    check_wanted(trial, error=RehearsalError)
    seeds, names = _checked_seeds(seeds), list(trial.recipe.coordinates)
    if world is not None and not isinstance(world, World) and not callable(world):
        raise RehearsalError(f"world is {world!r}. Give a World, or a function of a seed that returns one.")
    if progress is not None and not callable(progress):
        raise RehearsalError(f"progress is {progress!r}. Give a function of how many are done and how many there are.")
    workers = check_whole(workers, name="workers", low=1, high=64, error=RehearsalError)
    rounds = check_whole(rounds, name="rounds", low=1, high=99, error=RehearsalError)
    pours, melts = check_sizes(pours, melts)
    known = known_ids(trial.servings, trial.scores)["tester"]
    testers = int(usual_testers(trial) + 0.5) if testers is None else tester_names(testers, known)
    worlds = worlds_of(trial) if world is None else world
    tweak = suggest_next(trial, pours=pours, melts=melts) if len(trial.judged) else None
    today = tweak.best[names] if tweak else trial.recipe.starting_factors[names]

    def played(seed: int) -> pd.DataFrame:
        return _played(trial, _world_of(worlds, seed), today, seed, rounds=rounds, pours=pours, melts=melts,
                       testers=testers)

    frames = shared_out(played, seeds, workers=workers, progress=progress)
    told = _told(trial, world, len(seeds), rounds, pours, melts, testers)
    return Rehearsals(frame=pd.concat(frames, ignore_index=True), told=told, stops_today=bool(tweak and tweak.stop))


def _checked_seeds(seeds: Sequence[int]) -> list[int]:
    if not isinstance(seeds, Iterable) or isinstance(seeds, str | bytes):
        raise RehearsalError(f"seeds is {seeds!r}. Give a whole number a rehearsal, such as range(8).")
    found = [check_whole(seed, name="a seed", low=0, high=2**31 - 1, error=RehearsalError) for seed in seeds]
    if not found or len(set(found)) < len(found):
        raise RehearsalError(f"seeds are {found}. Give at least one, and each once.")
    return found


def _world_of(worlds, seed: int) -> World:
    found = worlds if isinstance(worlds, World) else worlds(seed)
    if not isinstance(found, World):
        raise RehearsalError(f"what world gives for seed {seed} is of type {type(found).__name__}. Give a World, or a "
                             "function of a seed that returns one.")
    return found


def _played(trial, world: World, today: pd.DataFrame, seed: int, **how) -> pd.DataFrame:
    frame = rehearse(trial, world, seed=seed, **how)
    desired = float(desirability_of(trial.attributes, world.truth_at(today, list(trial.attributes)))[0])
    best = frame["best possible"].iloc[0]
    frame["ratio before"] = desired * float(world.holds_at(today)[0]) / best if best > 0 else np.nan
    frame.insert(0, "evening", np.arange(1, len(frame) + 1))
    frame.insert(0, "seed", seed)
    return frame


def _told(trial, world, count: int, rounds: int, pours: int, melts: int, testers) -> str:
    """How the rehearsals were played, in one sentence."""
    panel = testers if isinstance(testers, int | np.integer) else len(testers)
    pots = f" in {plural(min(melts, pours), 'melt')}" if trial.recipe.pot else ""
    drawn = "fits the scores so far" if len(trial.judged) else "seems possible before anything is scored"
    where = ("all in one world" if isinstance(world, World) else
             f"each in a world that {'was given for it' if world else drawn}")
    more = " more" if len(trial.plan) else ""
    return (f"{trial.name}, {plural(count, 'rehearsal')} of {rounds}{more} {'evening' if rounds == 1 else 'evenings'} "
            f"({plural(pours, 'pour')}{pots}, {plural(int(panel), 'tester')}), {where}.")


def _reach(table: pd.DataFrame, share: float, words: str, counted: int) -> str:
    """From which evening on at least so many are as near to the best as REACHED, and how many are then."""
    stays = (table["reached"] >= share).iloc[::-1].cummin().iloc[::-1]
    there, best = table.index[stays], f"{REACHED:g} of the best possible or above"
    count = round(counted * table.at[there[0] if len(there) else table.index[-1], "reached"])
    are = f"{count} of {counted} {'is' if count == 1 else 'are'}."
    if not len(there):
        return (f"After {plural(int(table.index[-1]), 'evening')} fewer than {words} of them are at {best}: {are}")
    if there[0] == 0:
        return f"At least {words} of them are at {best} before the first evening: {are}"
    return (f"After {plural(int(there[0]), 'evening')} (cost {table.at[there[0], 'cost']:g}) at least {words} of them "
            f"are at {best}: {are}")


def _stopping(rehearsals: Rehearsals) -> str:
    """What it comes to when one stops as told, or after the last evening."""
    ends = _counted(rehearsals.as_told())
    stopped, before = int(ends["stop"].sum()), ends["ratio before"]
    most = plural(int(rehearsals.frame["evening"].max()), "evening")
    today = (f"It says stop today: who stops is at {before.median():.2f} of the best possible (lower decile "
             f"{before.quantile(0.1):.2f}). Who goes on all the same until told again" if rehearsals.stops_today
             else "Who goes on until told to stop")
    return (f"{today}, at most {most}, spends "
            f"{ends['evening'].mean():.1f} evenings and {ends['cost'].mean():.1f} on average and ends at "
            f"{ends['ratio'].median():.2f} of the best possible (lower decile {ends['ratio'].quantile(0.1):.2f}); "
            f"{plural(stopped, 'rehearsal')} of {len(ends)} {'was' if stopped == 1 else 'were'} told to.")


def _counted(frame: pd.DataFrame) -> pd.DataFrame:
    """Without the worlds in which no formula is of any use."""
    return frame[~frame["seed"].isin(frame.loc[frame["ratio"].isna(), "seed"])]


def _nowhere(frame: pd.DataFrame) -> list[str]:
    lost = frame.loc[frame["ratio"].isna(), "seed"].nunique()
    return [f"In {plural(lost, 'world')} no formula within the limits gives anything of what is wanted; they are not "
            "counted."] if lost else []

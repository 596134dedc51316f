"""Who tastes what, when and under which code: a balanced serving plan for blind sittings."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from labkit.checks import check_choice, check_whole, parse_id
from labkit.core.serving import FAMILIES, even_orders, evenness, seating_of
from labkit.definition.words import number_of
from labkit.errors import PlanError
from labkit.handing import hands_out_copies
from labkit.pours import is_day, standing_pours
from labkit.scores import SERVING_COLUMNS, other_spelling, spelled_twice
from labkit.trial import Trial, check_trial
from labkit.wording import Report, grid, heading, line, plural, report, words_joined

TIRING = 6             # lip samples in one sitting: four to six, 5 to 10 minutes apart (common practice)
MOST_SITTINGS = 100
CODED = ("serving", "pour")
LISTS = (Sequence, np.ndarray, pd.Series, pd.Index)
COUNTED = dict(zip(FAMILIES, (
    "each pour in all", "each pour in each position", "each pour in each sitting",
    "each pour right after each other", "each two pours in one sitting",
)))


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Serving:
    """A serving plan; `frame` has the columns of servings.csv, `balance` says how even it is beside the bound."""

    trial_name: str
    frame: pd.DataFrame
    balance: pd.DataFrame
    warm_up: str = ""
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def sessions(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.frame["session"]))

    @property
    def testers(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.frame["tester"]))

    @property
    def is_even(self) -> bool:
        """Whether no plan of this size could be more even in any single count."""
        return bool((self.balance["uneven"] <= self.balance["bound"] + 1e-9).all())

    def to_frame(self) -> pd.DataFrame:
        """A row a serving: session, date, tester, position, code, pour, all as text."""
        return self.frame

    def _report(self) -> Report:
        places = sorted(set(self.frame["position"]), key=int)
        keys = ["session", "tester"]
        rows = [[*names, *_cells(part, places)] for names, part in self.frame.groupby(keys, sort=False)]
        warm = [line(f"Warm-up, first and for everyone: {self.warm_up}, under the letter W. "
                     "What is marked for it is not kept.")] if self.warm_up else []
        return report(
            heading(f"Serving plan: {self.trial_name}"),
            *warm, grid([*keys, *places], rows, title="Code and pour by position (testers see codes, no tube labels)"),
            heading("How even is it?"), line(self._even_sentence()), _balance_grid(self.balance),
            *(line(note) for note in self.notes),
        )

    def _even_sentence(self) -> str:
        off = self.balance.index[self.balance["uneven"] > self.balance["bound"] + 1e-9]
        if not len(off):
            return "Every count is as even as whole numbers allow."
        return (f"All counts are as even as whole numbers allow, but for {words_joined(off)}: "
                "no plan was found that reaches every bound at once, and there may be none.")

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return (f"<Serving: {plural(len(self.frame), 'serving')}, {plural(len(self.testers), 'tester')}, "
                f"{plural(len(self.sessions), 'sitting')}>")

    def _repr_html_(self) -> str:
        return self._report().as_html()


def plan_serving(
    trial: Trial,
    *,
    pours: Sequence[str],
    testers: Sequence[str],
    seed: int = 1,
    per_sitting: int = 4,
    sittings: int | None = None,
    warm_up: str | bool = False,
    sessions: Sequence[str] = (),
    dates: Sequence[str] = (),
    wait_h: float | None = None,
    code_for: str = "serving",
) -> Serving:
    """Every pour equally often, in each position, after each other pour, and with each other, as numbers allow.

    Parameters: `pours` and `testers` by name; at most `per_sitting` pours in one sitting, the warm-up not counted.
    Every tester tastes every pour once, in as many sittings as that takes; fewer `sittings` let each taste some of
    the pours, more let each taste all of them again. `warm_up`: a pour that everyone tries first, by name, or True for
    one of these. `sessions`: names of the sittings (numbers that go on from the trial's otherwise), `dates`: their
    days, as 2031-05-04 or 2031-05-04 19:30. `wait_h`: least age of a pour [h], that of [batch] otherwise.
    `code_for`: a code of its own for each "serving", or one for each "pour" where codes or labels run short.
    """
    check_trial(trial, error=PlanError)
    pours, testers = _known_pours(trial, pours), _known_testers(trial, testers)
    lengths = _lengths(len(pours), per_sitting, sittings)
    names = _session_names(trial, sessions, len(lengths))
    dates = _one_each(dates, "date", len(lengths)) or [""] * len(lengths)
    seating = seating_of(len(pours), len(testers), lengths)
    seed = check_whole(seed, name="seed", low=0, high=2**32 - 1, error=PlanError)
    orders = even_orders(seating, seed=seed)
    rows = [(names[sitting], dates[sitting], testers[who], str(place), pours[item])
            for order, who, sitting in zip(orders, seating.subject, seating.sitting)
            for place, item in enumerate(order, start=1)]
    frame = pd.DataFrame(rows, columns=["session", "date", "tester", "position", "pour"])
    rng = np.random.default_rng([seed, 1])
    check_choice(code_for, CODED, name="code_for", error=PlanError)
    frame["code"] = _codes_a_serving(trial, frame, rng) if code_for == "serving" else _codes_a_pour(trial, frame, rng)
    warm = _warm_up(trial, warm_up, pours, rng)
    batch = trial.batch if wait_h is None else replace(trial.batch, wait_h=number_of(wait_h, "wait_h", error=PlanError))
    notes = (*_share_notes(lengths, pours), *_sitting_notes(lengths, warm), *_pour_notes(trial, pours),
             *_age_notes(trial, frame, batch.wait_h))
    return Serving(trial_name=trial.name, frame=frame[list(SERVING_COLUMNS)], balance=_balance(orders, seating),
                   warm_up=warm, notes=notes)


# What is asked for

def _known_pours(trial: Trial, pours: Sequence[str]) -> list[str]:
    names = _distinct(pours, "pours")
    known = dict.fromkeys([*trial.plan["pour"], *trial.pours["pour"]])
    for name in names:
        if name not in known:
            choice = f"Choose among {words_joined(known)}." if known else "Plan a round first."
            raise PlanError(f"pour {name!r} is neither planned nor poured. {choice}")
    return names


def _known_testers(trial: Trial, testers: Sequence[str]) -> list[str]:
    names = _distinct(testers, "testers")
    known = dict.fromkeys([*trial.servings["tester"], *trial.scores["tester"]])
    for name in names:
        if other := other_spelling(name, known):
            raise PlanError(spelled_twice("tester", name, other))
        known[name] = None
    return names


def _distinct(names: Sequence[str], what: str) -> list[str]:
    if isinstance(names, str) or not isinstance(names, LISTS):
        raise PlanError(f"{what} is {names!r}. Give a list of names.")
    found = [parse_id(name) for name in names]
    if not found or not all(found):
        raise PlanError(f"{what} is {list(names)}. Give at least one name, and no empty ones.")
    double = [name for name in dict.fromkeys(found) if found.count(name) > 1]
    if double:
        raise PlanError(f"{what} names {double[0]} twice. Name each once; more sittings repeat all pours.")
    return found


def _lengths(pours: int, per_sitting: int, sittings: int | None) -> tuple[int, ...]:
    """How many pours each sitting of a tester has, the longer sittings first."""
    size = min(pours, check_whole(per_sitting, name="per_sitting", low=1, high=20, error=PlanError))
    count = -(-pours // size)
    if sittings is not None:
        count = check_whole(sittings, name="sittings", low=1, high=MOST_SITTINGS, error=PlanError)
        _check_all_seated(count, size, pours)
    room = count * size
    servings = room // pours * pours if sittings and room >= pours else min(room, pours)
    return tuple(servings // count + (k < servings % count) for k in range(count))


def _check_all_seated(sittings: int, size: int, pours: int) -> None:
    """Of one pour a sitting, only whole turns of all pours fill every sitting; from two on there is always enough."""
    whole = sittings // pours * pours
    if size == 1 and whole not in (0, sittings):
        full = [str(number) for number in (whole, whole + pours) if number <= MOST_SITTINGS]
        raise PlanError(f"{sittings} sittings of one pour each cannot serve {pours} pours equally often. "
                        f"Ask for {words_joined(full, last='or')} sittings, or raise per_sitting.")


def _session_names(trial: Trial, sessions: Sequence[str], count: int) -> list[str]:
    used = dict.fromkeys([*trial.servings["session"], *trial.scores["session"]])
    names = _one_each(sessions, "session", count)
    if not names:
        last = max((int(name) for name in used if name.isdecimal()), default=0)
        return [str(last + k) for k in range(1, count + 1)]
    taken = [name for name in names if name in used or names.count(name) > 1]
    if taken:
        raise PlanError(f"session {taken[0]!r} is already the name of another sitting. Give each sitting its own name.")
    return names


def _one_each(values: Sequence[str], what: str, count: int) -> list[str]:
    """What is given for each sitting, one alone for the only one; nothing where nothing is."""
    found = [values] if isinstance(values, str | datetime.date) else () if values is None else values
    if not isinstance(found, LISTS):
        raise PlanError(f"{what}s is {values!r}. Give a list, one {what} for each sitting.")
    if len(found) not in (0, count):
        raise PlanError(f"{plural(len(found), what)} for {plural(count, 'sitting')}. Give one {what} for each sitting.")
    return [_day_text(value) if what == "date" else parse_id(value) for value in found]


def _day_text(value: object) -> str:
    text = parse_id(value)
    if not is_day(text):
        raise PlanError(f"date is {value!r}. Write it as 2031-05-04, or as 2031-05-04 19:30.")
    return text.removesuffix(" 00:00:00")


def _warm_up(trial: Trial, warm_up: str | bool, pours: list[str], rng: np.random.Generator) -> str:
    if isinstance(warm_up, bool):
        return pours[rng.integers(len(pours))] if warm_up else ""
    return _known_pours(trial, [warm_up])[0] if warm_up else ""


# Codes

def _codes_a_serving(trial: Trial, frame: pd.DataFrame, rng: np.random.Generator) -> list[str]:
    """A code for each serving; in a sitting of three or more they neither rise nor fall from first to last."""
    pool, codes = _free_codes(trial, len(frame), rng), []
    for length in frame.groupby(["session", "tester"], sort=False).size():
        own = pool[len(codes):len(codes) + length]
        if length > 2 and own in (sorted(own), sorted(own, reverse=True)):
            own[0], own[1] = own[1], own[0]
        codes += own
    return codes


def _codes_a_pour(trial: Trial, frame: pd.DataFrame, rng: np.random.Generator) -> list[str]:
    names = list(dict.fromkeys(frame["pour"]))
    return list(frame["pour"].map(dict(zip(names, _free_codes(trial, len(names), rng)))))


def _free_codes(trial: Trial, count: int, rng: np.random.Generator) -> list[str]:
    """Three-digit codes that the trial has not used, in random order; those of three different digits come first."""
    used = set(trial.servings["code"])
    free = [str(code) for code in rng.permutation(np.arange(100, 1000)) if str(code) not in used]
    if len(free) < count:
        raise PlanError(f"{count} codes are needed, but {len(free)} of the 900 with three digits are left in this "
                        'trial. Use code_for="pour", which needs one for each pour.')
    return sorted(free, key=lambda code: len(set(code)) < 3)[:count]


# How even it is, and what to bear in mind

def _balance(orders: list[tuple[int, ...]], seating) -> pd.DataFrame:
    """By count: least, most, the same where all is as even as can be, unevenness (sum of squares) and its bound."""
    columns = ["least", "most", "uneven", "best_least", "best_most", "bound"]
    figures = evenness(orders, seating)
    frame = pd.DataFrame([figures[f] for f in FAMILIES], columns=columns, index=[COUNTED[f] for f in FAMILIES])
    whole = ["least", "most", "best_least", "best_most"]
    frame[whole] = frame[whole].astype(int)
    return frame[["least", "most", "best_least", "best_most", "uneven", "bound"]].rename_axis("count")


def _balance_grid(balance: pd.DataFrame):
    rows = [[row.Index, _span(row.least, row.most), _span(row.best_least, row.best_most), row.uneven, row.bound]
            for row in balance.itertuples()]
    return grid(["count", "times", "at best", "sum of squares", "bound"], rows)


def _span(low: float, high: float) -> str:
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _cells(part: pd.DataFrame, places: list[str]) -> list[str]:
    shown = {row.position: f"{row.code} {row.pour}" for row in part.itertuples()}
    return [shown.get(place, "") for place in places]


def _share_notes(lengths: tuple[int, ...], pours: list[str]) -> tuple[str, ...]:
    served = sum(lengths)
    if served < len(pours):
        return (f"Each tester tastes {served} of the {len(pours)} pours.",)
    return (f"Each tester tastes every pour {served // len(pours)} times.",) if served > len(pours) else ()


def _sitting_notes(lengths: tuple[int, ...], warm: str) -> tuple[str, ...]:
    most = max(lengths) + bool(warm)
    told = (f"{most} samples in one sitting tire lips: four to six are usual, with a wipe and 5 to 10 minutes between "
            "(common practice).")
    return (told,) if most > TIRING else ()


def _pour_notes(trial: Trial, pours: list[str]) -> tuple[str, ...]:
    unmade = [name for name in pours if name not in set(trial.pours["pour"])]
    failed = [name for name in pours if name in trial.failed]
    notes = (f"{words_joined(unmade)} {_is(unmade)} not in pours.csv yet. Record what was weighed before scores come.",
             f"{words_joined(failed)} failed. Serve what failed only if it is fit to be worn.")
    return tuple(note for note, names in zip(notes, (unmade, failed)) if names)


def _age_notes(trial: Trial, frame: pd.DataFrame, wait_h: float) -> tuple[str, ...]:
    """A warning for each sitting with pours that are younger than the wait, as far as days are written down."""
    poured = _poured_on(trial)
    notes, unknown = [], [name for name in dict.fromkeys(frame["pour"]) if poured.get(name) is None]
    for (session, date), part in frame.groupby(["session", "date"], sort=False):
        if (judged := _moment(date)) is None:
            continue
        ages = {name: _hours(poured[name], judged) for name in sorted(set(part["pour"])) if poured.get(name)}
        if unborn := [name for name, age in ages.items() if age < 0]:
            notes.append(f"Warning: session {session} is on {date}, before {words_joined(unborn)} {_was(unborn)} "
                         "poured. Check the dates.")
        if young := [name for name, age in ages.items() if 0 <= age < wait_h]:
            notes.append(f"Warning: in session {session} ({date}) {words_joined(young)} {_is(young)} less than "
                         f"{wait_h:g} h old. Wait longer, or read the scores as those of sticks still setting.")
    if (frame["date"] == "").any() or unknown:
        why = "the day of a sitting is not given" if (frame["date"] == "").any() else (
            f"pours.csv has no date for {words_joined(unknown)}")
        notes.append(f"No age could be checked where {why}: let pours stand {wait_h:g} h at 20 °C before they are "
                     "judged, four days with carnauba wax (common practice).")
    return tuple(notes)


def _poured_on(trial: Trial) -> Mapping[str, tuple | None]:
    standing = standing_pours(trial.pours)
    return {name: _moment(date) for name, date in zip(standing["pour"], standing["date"], strict=True)}


def _moment(text: str) -> tuple[datetime.datetime, bool] | None:
    """A day as it may stand in a table of the trial, and whether its hour is known; None for anything else."""
    if not is_day(text):
        return None
    found = datetime.datetime.fromisoformat(text).replace(tzinfo=None)
    return found, found.time() != datetime.time()


def _hours(poured: tuple[datetime.datetime, bool], judged: tuple[datetime.datetime, bool]) -> float:
    """Age in hours; by days alone where an hour is not known, so that the next day counts as a whole one."""
    if poured[1] and judged[1]:
        return (judged[0] - poured[0]).total_seconds() / 3600
    return 24.0 * (judged[0].date() - poured[0].date()).days


def _is(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _was(names: Sequence[str]) -> str:
    return "was" if len(names) == 1 else "were"

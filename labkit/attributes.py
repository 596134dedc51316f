"""What testers score or an instrument reads, on which scale, what is wanted of it, what the maker expects."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from labkit.checks import check_choice, meant_or
from labkit.errors import TrialError
from labkit.handing import fixed
from labkit.wording import decimal_text, unit_text, words_joined

WANTED_POINTS = MappingProxyType({"rising": 2, "falling": 2, "peak": 3})
EXPECTED = MappingProxyType({"up": 1, "down": -1})
USUAL = ((1.0, 5.0), (1.0, 7.0), (1.0, 9.0), (0.0, 10.0))       # scales that ballots often have (common practice)
ENOUGH = 6                     # scores from which the scale is worth a question


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What is wanted of an attribute, by the points of its desirability on the scale.

    rising (a, b): 0 up to a, 1 from b on. falling (a, b): 1 up to a, 0 from b on. peak (a, t, b): 0 outside
    a..b, 1 at t. Straight in between (Derringer & Suich 1980, J. Quality Technology 12:214-219).
    """

    kind: str
    points: tuple[float, ...]

    @property
    def best(self) -> float:
        """The score that is wanted most, or from which on, to the side that is wanted, none is wanted more."""
        return {"rising": self.points[-1], "falling": self.points[0], "peak": self.points[len(self.points) // 2]}[
            self.kind]

    def __post_init__(self):
        check_choice(self.kind, WANTED_POINTS, name="wanted", error=TrialError)
        if len(self.points) != WANTED_POINTS[self.kind] or list(self.points) != sorted(set(self.points)):
            raise TrialError(
                f"wanted {self.kind} has the points {list(self.points)}. "
                f"Give {WANTED_POINTS[self.kind]} numbers on the scale, each above the one before."
            )


@dataclass(frozen=True, kw_only=True)
class Attribute:
    """One property: its scale low..high, words at its ends, wanted, expectations, importance.

    Testers score it, or an instrument reads it: then `reading` is the method in readings.csv, the scale is in its
    `unit`, and a higher value is more of the attribute. `noise`: stated standard deviations of readings by source.
    `expect`: +1 or -1 by what varies; none of it, where other attributes have some, lets a surface count on a peak, or
    on a dip where it is wanted falling (`labkit.surfaces.ground.taken_to_turn`).
    """

    name: str
    low: float = 0.0
    high: float = 10.0
    ends: tuple[str, str] = ("", "")
    wanted: Wanted | None = None
    expect: Mapping[str, int] = field(default_factory=dict)
    importance: float = 1.0
    reading: str = ""
    unit: str = ""
    noise: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self):
        for name in ("expect", "noise"):
            object.__setattr__(self, name, fixed(getattr(self, name)))
        if not self.low < self.high:
            raise TrialError(
                f"the scale of {self.name} runs from {self.low:g} to {self.high:g}. Give the lower end first."
            )
        if not self.importance > 0:
            raise TrialError(
                f"the importance of {self.name} is {self.importance:g}. Give a number above 0, or leave `wanted` out."
            )
        outside = [p for p in (self.wanted.points if self.wanted else ()) if not self.low <= p <= self.high]
        if outside:
            raise TrialError(
                f"wanted of {self.name} names {outside[0]:g}, but its scale runs from {self.low:g} to {self.high:g}. "
                "Give points on the scale."
            )

    @property
    def width(self) -> float:
        return self.high - self.low

    @property
    def finer(self) -> int:
        """Decimals to print beyond those of a scale from 0 to 10: 1 on one from 0 to 1, -1 on one from 0 to 1000."""
        if self.width < 2:
            return math.ceil(math.log10(2 / self.width) - 1e-9)
        return -max(0, math.floor(math.log10(self.width / 20) + 1e-9))

    @property
    def half_point(self) -> float:
        """Half of the last place but one that is printed: 0.5 on a scale from 0 to 10, 0.05 on one from 0 to 1."""
        return 0.5 * 10.0 ** -self.finer

    def told(self, value: float, digits: int = 1, sign: str = "") -> str:
        """A value or a difference on the scale in `digits` decimals, and as many more as the scale needs.

        sign : "+" of a difference, which then shows its direction also where the decimals show nothing of it.
        """
        places = decimals(digits, self.finer)
        return f"{value:{sign}.{places}f}" if sign else decimal_text(value, places)

    @property
    def is_read(self) -> bool:
        """Whether an instrument reads it, and no tester scores it."""
        return bool(self.reading)

    @property
    def shown_unit(self) -> str:
        """The unit as it is printed; empty where testers score."""
        return unit_text(self.unit) if self.is_read else ""

    def with_unit(self, told: str) -> str:
        """`8.1 mm`: what is told of it with its unit, and of a score as it is."""
        return f"{told} {self.shown_unit}".rstrip()

    @property
    def measure(self) -> str:
        """What one value of it is: `score`, or `needle depth [mm]`."""
        return f"{self.reading} [{self.shown_unit}]" if self.is_read else "score"

    def check_expected(self, coordinates: tuple[str, ...]) -> None:
        """Every expectation is about something that varies."""
        for name in self.expect:
            if name not in coordinates:
                choose = f"Choose {words_joined([repr(c) for c in coordinates], last='or')}, or leave it out."
                raise TrialError(f"expect of {self.name} names {name!r}, which does not vary. "
                                 + meant_or(name, coordinates, choose))


def only_read(attributes: Mapping[str, Attribute]) -> bool:
    """Whether an instrument reads all there is, and no tester scores anything."""
    return bool(attributes) and all(a.is_read for a in attributes.values())


def wanted_of(attributes: Mapping[str, Attribute]) -> dict[str, Attribute]:
    """Those of which something is wanted."""
    return {name: a for name, a in attributes.items() if a.wanted is not None}


def decimals(digits: int, finer: int) -> int:
    """`digits` on a scale from 0 to 10, and as many more as another one is finer (`Attribute.finer`)."""
    return max(digits + finer, 0)


def digits_of(names: Iterable[str], attributes: Mapping[str, Attribute], digits: int = 2) -> list[int]:
    """Decimals of the rows of a table each of which names an attribute, or something else that needs no more."""
    return [decimals(digits, attributes[name].finer) if name in attributes else digits for name in names]

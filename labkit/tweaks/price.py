"""What a round must bring: what [cost] says where one has HAVING, less where one has less, and more where one has more.

    U(D) = log D,  U'(D) = 1 / D:  a unit of cost must bring  worth D / HAVING

A gain is worth what it adds to what one has (Bernoulli 1738; in English 1954, Econometrica 22:23-36), so a poor
formula is developed for longer than a good one.
"""

from dataclasses import dataclass

from labkit.rounds import HAVING

LEAST = 0.25           # of what is stated: where nothing good is to be had one is told to stop all the same
CLOSE = 0.1            # part of a gain by which other draws may find it larger or smaller


def unit_must_bring(worth: float, having: float) -> float:
    """Desirability that a unit of cost must bring where `having` is expected of the formula settled on (0 to 1)."""
    return worth * max(having / HAVING, LEAST)


@dataclass(frozen=True, kw_only=True)
class Bargain:
    """A round that costs `cost` and is expected to add `gain` to `having`, the desirability that one has without it.

    worth : what a unit of cost must bring where one has HAVING.
    """

    gain: float
    cost: float
    worth: float
    having: float

    @property
    def unit(self) -> float:
        """What a unit of cost must bring."""
        return unit_must_bring(self.worth, self.having)

    @property
    def pays(self) -> bool:
        """Whether the round brings what it must."""
        return self.gain >= self.unit * self.cost

    @property
    def close(self) -> bool:
        """Whether that turns where the gain is CLOSE to what it is."""
        return (1 - CLOSE) * self.gain < self.unit * self.cost <= (1 + CLOSE) * self.gain

    def told(self) -> str:
        """What a unit brings, and what it must."""
        return (f"{self.gain / self.cost:.4f} a unit of cost; with {self.having:.2f} of it in hand a unit must "
                f"bring {self.unit:.2g}")

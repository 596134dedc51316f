"""What a round must bring: what [cost] says where one has HAVING, less where one has less, and more where one has more.

    U(D) = log D,  U'(D) = 1 / D:  a unit of cost must bring  worth D / HAVING

A gain is worth what it adds to what one has (Bernoulli 1738; in English 1954, Econometrica 22:23-36), so a poor
formula is developed for longer than a good one. What one round brings may be little where two or three together bring
much (Frazier & Powell 2010, Decision Analysis 7:378-403): where knowing everything would bring what ROUNDS_AHEAD
rounds must, one of them need bring no more than HALF of it.
"""

from dataclasses import dataclass, replace

from labkit.rounds import HAVING

LEAST = 0.25           # of what is stated: where nothing good is to be had one is told to stop all the same
ROUNDS_AHEAD, HALF = 3, 0.5
CLOSE = 0.1            # part of a gain by which other draws may find it larger or smaller


def unit_must_bring(worth: float, having: float) -> float:
    """Desirability that a unit of cost must bring where `having` is expected of the formula settled on (0 to 1)."""
    return worth * max(having / HAVING, LEAST)


@dataclass(frozen=True, kw_only=True)
class Bargain:
    """A round that costs `cost` and is expected to add `gain` to `having`, the desirability that one has without it.

    worth : what a unit of cost must bring where one has HAVING. known : what would be added if everything were known.
    """

    gain: float
    cost: float
    worth: float
    having: float
    known: float = 0.0

    @property
    def unit(self) -> float:
        """What a unit of cost must bring."""
        return unit_must_bring(self.worth, self.having)

    @property
    def due(self) -> float:
        """What the round must bring."""
        return self.unit * self.cost

    @property
    def alone(self) -> bool:
        """Whether the round brings what it must."""
        return self.gain >= self.due

    @property
    def pays(self) -> bool:
        """Whether it does, or part of it where much could still be learned."""
        return self.gain >= self.due * (HALF if self.known >= ROUNDS_AHEAD * self.due else 1.0)

    @property
    def close(self) -> bool:
        """Whether that turns where either gain is CLOSE to what it is."""
        near = (1 - CLOSE, 1, 1 + CLOSE)
        return len({replace(self, gain=one * self.gain, known=other * self.known).pays
                    for one in near for other in near}) > 1

    def told(self) -> str:
        """What a unit brings, and what it must."""
        return (f"{self.gain / self.cost:.4f} a unit of cost; with {self.having:.2f} of it in hand a unit must "
                f"bring {self.unit:.2g}")

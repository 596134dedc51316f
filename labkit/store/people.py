"""Who a name in a file is: itself, a stated id, or an id that is given; one person is spelled in one way."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from labkit.errors import ScoreError
from labkit.scores import other_spelling, spelled_alike, spelled_twice
from labkit.store.columns import Said
from labkit.trial import Trial

IDS = "ids"


@dataclass(kw_only=True)
class People:
    """Names of a file and their ids."""

    trial: Trial
    mode: str                                             # "" as they are, "stated" or IDS
    given: dict[str, str] = field(default_factory=dict)   # name -> id
    spelled: dict[str, str] = field(default_factory=dict)

    @classmethod
    def stated(cls, testers: Mapping[str, str] | str | None, trial: Trial) -> "People":
        if testers is None:
            return cls(trial=trial, mode="")
        if isinstance(testers, str) and testers == IDS:
            return cls(trial=trial, mode=IDS)
        if not isinstance(testers, Mapping):
            raise ScoreError(f"testers is {testers!r}. Give ids by name, such as {{'Ana': 'T01'}}, or {IDS!r}.")
        return cls(trial=trial, mode="stated", given={str(name): str(who) for name, who in testers.items()})

    @property
    def known(self) -> set[str]:
        return {*self.trial.servings["tester"], *self.trial.scores["tester"]}

    def meet(self, said: Iterable[Said], values: Mapping[Said, tuple]) -> None:
        """Note how names are spelled, and give ids where that is asked for."""
        names = list(dict.fromkeys(x.tester for x in said if x.tester))
        for name in (*sorted(self.known), *names):
            self.spelled.setdefault(spelled_alike(name), name)
        if self.mode == IDS:
            for name in names:
                if self.spelled[spelled_alike(name)] == name and name not in self.known:
                    self.given[name] = self._id_for([x for x in said if x.tester == name], values)

    def _id_for(self, mine: list[Said], values: Mapping[Said, tuple]) -> str:
        """The tester to whom these codes were served, or who gave exactly these scores before, or the next number."""
        taken, servings, scores = set(self.given.values()), self.trial.servings, self.trial.scores
        served = set(servings.loc[servings["code"].isin([x.code for x in mine if x.code]), "tester"])
        if len(served) == 1 and not served & taken:
            return served.pop()
        said = {values[x] for x in mine if x in values}
        for who, part in scores.groupby("tester", sort=False):
            if said and who not in taken and said <= set(zip(part["pour"], part["attribute"], part["score"])):
                return who
        numbers = [int(who[1:]) for who in self.known | taken if who[:1] == "T" and who[1:].isdecimal()]
        return f"T{max(numbers, default=0) + 1:02d}"

    def id_of(self, name: str) -> str:
        """The id of a name in the file, or one clear sentence."""
        if self.mode != "stated":
            other = self.spelled[spelled_alike(name)]
            if other != name and name not in self.known:
                raise ScoreError(spelled_twice("tester", name, other))
            return self.given.get(name, name)
        if name not in self.given and name not in self.known and name not in self.given.values():
            raise ScoreError(f"tester {name!r} has no id. Add it to testers={{{name!r}: ...}}.")
        found = self.given.get(name, name)
        if other := other_spelling(found, self.known):
            raise ScoreError(spelled_twice("tester", found, other))
        return found

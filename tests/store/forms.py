"""One round of scores as people have them: the servings of four pours to three testers, and tables of what was said."""
import pandas as pd

POURS, TESTERS = ("P01", "P02", "P03", "P04"), ("T01", "T02", "T03")
CODES = dict(zip(((t, p) for t in TESTERS for p in POURS), map(str, (417, 552, 291, 838, 613, 175, 946, 309, 728, 584, 162, 497))))
KEYS = ["pour", "tester", "session", "position", "attribute"]
NOTHING_LEFT = ["row", "column", "cell", "why"]


def servings():
    rows = [("1", "2031-05-06", t, str((p + k) % 4 + 1), CODES[t, pour], pour)
            for k, t in enumerate(TESTERS) for p, pour in enumerate(POURS)]
    return pd.DataFrame(rows, columns=["session", "date", "tester", "position", "code", "pour"])


def truth():
    """What was said, in the order of the servings: scores that use both halves of the scale."""
    rows = [(s.pour, s.tester, "1", s.position, attribute, float((3 * k + 4 * a) % 11))
            for k, s in enumerate(servings().itertuples()) for a, attribute in enumerate(("payoff", "hardness"))]
    return pd.DataFrame(rows, columns=[*KEYS, "score"])


def sorted_rows(frame):
    return frame.sort_values(KEYS).reset_index(drop=True)


def a_row_a_sample():
    said = truth().assign(code=lambda f: [CODES[key] for key in zip(f["tester"], f["pour"])])
    return said.pivot(index="code", columns="attribute", values="score").reset_index()


def a_row_a_tester():
    said = truth()
    said["column"] = said["pour"] + " " + said["attribute"]
    return said.pivot(index="tester", columns="column", values="score").reset_index()

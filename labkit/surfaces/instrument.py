"""What an instrument says of the pours: means over repeats, their covariance, and the noise of one reading."""

import pandas as pd

from labkit.attributes import Attribute
from labkit.core.levels import SPREAD
from labkit.core.pooled import Pooled, pooled
from labkit.trial import Trial
from labkit.wording import noise_found


def read_by_instrument(trial: Trial, attribute: Attribute) -> tuple[pd.Series, pd.DataFrame, pd.DataFrame]:
    """Means by pour in the order of the pours, their covariance, and the noise of a reading as a row `reading`.

    There are no testers: repeats of one pour tell the noise, pooled over pours, beside the stated one. Variation from
    pour to pour, melt to melt and round to round is not in the covariance.
    """
    rows = trial.standing_readings.query("attribute == @attribute.name")
    there = set(rows["pour"])
    pours = pd.Index([pour for pour in trial.made.index if pour in there], name="pour")
    stated = trial.noise_of(attribute.name)["reading"]
    found = pooled(pours.get_indexer(rows["pour"]), rows["value"].to_numpy(float), stated=stated)
    means = pd.Series(found.means, index=pours, name=attribute.name)
    sampling = pd.DataFrame(found.covariance, index=pours, columns=pours.rename(None))
    return means, sampling, _noise_row(found, stated)


def _noise_row(found: Pooled, stated: float) -> pd.DataFrame:
    row = {"stated": stated, **noise_found("readings", stated, found.sd, found.unsure, SPREAD)}
    return pd.DataFrame([row], index=pd.Index(["reading"], name="source"))

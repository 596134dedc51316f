"""From a trial to the next tweak in ten lines; README.md shows the same ten lines."""
import pathlib

ROOT = pathlib.Path(__file__).resolve().parent.parent


def test_whole_road(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)

    import labkit

    trial = labkit.read_trial("trials/terracotta-stick")        # what was meant, made and said so far
    corners = trial.region.vertices()                           # what may be poured at all
    panel = labkit.appraise_panel(trial)                        # do the testers agree?
    surfaces = labkit.fit_surfaces(trial, panel)                # which factor does what, and how sure is that?
    tweak = labkit.suggest_next(trial, pours=4, melts=2, seed=2)
    settled = surfaces["payoff"].predict_pour(tweak.best[[*trial.recipe.coordinates]])
    print(tweak)                                                # what to pour next, and why
    trial = trial.with_round(tweak.round)                       # a new trial; the old one, and the disk, stay

    shown = capsys.readouterr().out
    assert "\n" in shown and max(map(len, shown.splitlines())) <= 100
    assert set(corners.columns) == set(trial.recipe.ingredients)
    assert set(panel.attributes) == set(surfaces) == set(trial.attributes)
    assert len(settled) == 1 and settled["low"].item() < settled["mean"].item() < settled["high"].item()
    assert len(tweak.round.to_frame()) == 4 and trial.plan["round"].max() == 4

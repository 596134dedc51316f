"""What the testers said, compared with the panel itself."""
import numpy as np
import pytest
from definitions import HAZEL
from invented import poured, scored
from looking import words

import labkit
from labkit.errors import PanelError
from labkit.figures import draw_panel, draw_testers


class TestPanel:
    def test_rows_are_pours_from_low_to_high_and_diamonds_are_means(self, panel):
        ax = draw_panel(panel, "payoff")
        means = panel.means("payoff")[0].sort_values(kind="stable")
        assert [label.get_text() for label in ax.get_yticklabels()] == list(means.index)
        diamonds = next(line for line in ax.lines if line.get_marker() == "D")
        assert diamonds.get_xdata() == pytest.approx(means.to_numpy())

    def test_every_score_is_a_ring(self, demo, panel):
        rings = next(c for c in draw_panel(panel, "shade").collections if len(c.get_offsets()) > 20)
        scores = demo.standing_scores.query("attribute == 'shade'")["score"]
        assert sorted(rings.get_offsets()[:, 0]) == sorted(scores)

    @pytest.mark.parametrize("testers", [1, 2, 5, 12])
    def test_no_ring_lies_under_a_mean(self, testers):
        """One tester's score is the mean: its ring lay wholly under the diamond, and one of three under the bar."""
        trial = scored(poured(HAZEL, rounds=1), lambda coded: 5 + 2 * coded[:, :1], testers=testers)
        ax = draw_panel(labkit.appraise_panel(trial), "hardness")
        ax.figure.draw_without_rendering()
        rings = next(c for c in ax.collections if len(c.get_offsets()) >= 4 * testers)
        up = ax.transData.transform(rings.get_offsets())[:, 1] * 72 / ax.figure.dpi
        rows = ax.transData.transform([(0, row) for row in range(4)])[:, 1] * 72 / ax.figure.dpi
        gap = np.abs(up[:, None] - rows).min(axis=1)
        assert len(up) == 4 * testers and gap.min() > np.sqrt(rings.get_sizes()[0]) / 2 + 2.2 / 2
        assert len(np.unique((rings.get_offsets()[:, 1] % 1).round(6))) == testers

    def test_an_attribute_without_scores_is_refused(self, panel):
        with pytest.raises(PanelError) as caught:
            draw_panel(panel, "shine")
        assert str(caught.value) == ("attribute is 'shine'. Choose 'payoff', 'hardness', 'sheerness' or 'shade'.")

    def test_long_words_at_the_ends_of_a_scale_stand_beside_each_other_and_an_attribute_has_its_words(self):
        """They ran into each other and squeezed the axes; an attribute stood with its underscores, a factor without."""
        text = HAZEL.replace("[attributes.hardness]\n", '[attributes.hardness_of_the_stick]\nends = ["bends, melts or '
                             'smears in a warm hand at once", "scratches and drags as soon as it is on the lip"]\n')
        panel = labkit.appraise_panel(scored(poured(text, rounds=1), lambda coded: 5 + 2 * coded[:, :1]))
        ax = draw_panel(panel, "hardness_of_the_stick")
        ax.figure.draw_without_rendering()
        low, _, high = (label.get_window_extent() for label in ax.get_xticklabels())
        assert low.x1 < high.x0
        assert ax.get_xlabel() == "hardness of the stick [score]" and ax.get_title().endswith(": hardness of the stick")
        ax = draw_testers(panel, "hardness_of_the_stick")
        assert "hardness of the stick" in ax.get_title() and "of hardness of the stick above" in ax.get_xlabel()


class TestTesters:
    def test_a_cross_stands_at_level_and_use_of_the_scale(self, panel):
        ax = draw_testers(panel, "payoff")
        rows = panel.testers.query("attribute == 'payoff'").set_index("tester")
        assert {name for text in words(ax) for name in text.split(", ")} == set(rows.index)
        marks_at = next(line for line in ax.lines if line.get_marker() == "o")
        assert sorted(marks_at.get_xdata()) == pytest.approx(sorted(rows["level"]))
        assert sorted(marks_at.get_ydata()) == pytest.approx(sorted(rows["slope"]))
        assert f"icc {panel.agreement.set_index('attribute').at['payoff', 'icc']:.2f}" in ax.get_title()

    def test_arms_across_know_how_sure_the_noise_is(self):
        """With two testers on four pours 90 % reach further than 1.645 standard errors, as in the panel's intervals."""
        trial = scored(poured(HAZEL, rounds=1), lambda coded: 5 + 2 * coded[:, :1], testers=2)
        panel = labkit.appraise_panel(trial)
        ax = draw_testers(panel, "hardness")
        across = [part.get_segments() for part in ax.collections if np.ptp(part.get_segments()[0][:, 1]) == 0][0]
        multiple = panel.scored_for("hardness").multiple
        assert multiple > 1.8
        assert [np.ptp(arm[:, 0]) / 2 for arm in across] == pytest.approx(list(multiple * panel.testers["level_se"]))

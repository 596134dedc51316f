import pandas as pd

from labkit.wording import (
    about,
    as_counted,
    grid,
    grid_of,
    heading,
    line,
    number_text,
    p_texts,
    plural,
    report,
    short_text,
    words_joined,
)


def test_words_and_numbers():
    assert (
        words_joined(["a"]) == "a" and words_joined(["a", "b", "c"]) == "a, b and c" and words_joined([]) == "nothing"
    )
    assert [plural(1, "pour"), plural(2, "pour"), plural(3, "entry"), plural(0, "wax")] == [
        "1 pour",
        "2 pours",
        "3 entries",
        "0 waxes",
    ]
    assert [number_text(v) for v in (1, 1.0, -0.001, None, float("nan"), "x", True)] == [
        "1",
        "1.00",
        "0.00",
        "",
        "",
        "x",
        "yes",
    ]


def test_one_report_two_faces():
    frame = pd.DataFrame({"pour": ["P01", "P02"], "payoff": [5.25, 10.0]})
    found = report(
        heading("Pours"),
        line("Two pours & one <scale>."),
        grid_of(frame, digits=1, title="As scored"),
        grid(["a", "b"], [["x", None], ["yy", 2]]),
    )
    assert found.as_text() == (
        "Pours\n-----\nTwo pours & one <scale>.\nAs scored\n"
        "  pour  payoff\n  P01      5.2\n  P02     10.0\n  a   b\n  x\n  yy  2"
    )
    page = found.as_html()
    assert "<p>Two pours &amp; one &lt;scale&gt;.</p>" in page
    assert page.count("<tr>") == 6 and '<td style="text-align:right">10.0</td>' in page


def test_a_grid_without_rows_shows_its_header():
    assert grid_of(pd.DataFrame({"pour": [], "payoff": []})).rows == ()
    assert report(grid_of(pd.DataFrame({"pour": [], "payoff": []}))).as_text() == "pour  payoff".join(["  ", ""])


def test_a_grid_wider_than_the_page_goes_on_below_under_the_names_of_its_rows():
    names = [f"ingredient number {k} [g]" for k in range(6)]
    told = report(grid(["order", "pour", *names], [[1, "P01", *range(6)], [2, "P02", *range(6)]]))
    lines = told.as_text(width=80).splitlines()
    assert max(map(len, lines)) <= 80
    assert [line.split()[0] for line in lines] == ["order", "1", "2", "pour", "P01", "P02", "pour", "P01", "P02"]
    assert " ".join(lines).count("ingredient number") == 6


def test_rows_that_two_columns_name_keep_both_where_the_grid_goes_on_below():
    """A serving plan went on below with the session alone: nobody could tell whose codes these were."""
    cells = [["9", tester, *[f"{k}{tester}" for k in range(6)]] for tester in ("Ada", "Ben")]
    told = report(grid(["session", "tester", *[f"position number {k}" for k in range(6)]], cells)).as_text(width=80)
    assert [line.split()[:2] for line in told.splitlines()[::3]] == [["session", "tester"]] * 2
    assert [line.split()[1] for line in told.splitlines()] == ["tester", "Ada", "Ben"] * 2 and "5Ben" in told


def test_a_number_and_its_percent_sign_stay_on_one_line():
    told = report(line("x" * 90 + " about 90 % of it")).as_text()
    assert told == "x" * 90 + " about\n90 % of it" and len(told.splitlines()[0]) <= 100
    assert report(line("weigh a premix of 30 %.")).as_html() == "<p>weigh a premix of 30\u00a0%.</p>"


def test_short_numbers_know_no_powers_of_ten_above_a_thousand():
    assert [short_text(v) for v in (0.01234, 74.26, 999.4, 1430.4, 150000.0, -1500)] == [
        "0.0123", "74.3", "999", "1430", "150000", "-1500"]


def test_between_two_whole_numbers_both_are_said():
    said = [about(n, "tester") for n in (1, 1.0, 1.5, 2.5, 3.0, 3 - 1e-12)]
    assert said == ["1 tester", "1 tester", "1 to 2 testers", "2 to 3 testers", "3 testers", "3 testers"]


def test_names_with_numbers_stand_as_people_count():
    assert as_counted(["N10", "N2", "N1", "N2", "ben", "Ada", "10", "9", "N1b", "01"]) == [
        "01", "9", "10", "Ada", "N1", "N1b", "N2", "N10", "ben"]
    assert as_counted(f"T{k:02d}" for k in range(12, 0, -1)) == sorted(f"T{k:02d}" for k in range(1, 13))
    assert as_counted([]) == [] and as_counted(["²", "a1", "a²"]) == ["a1", "a²", "²"]


def test_a_chance_is_never_told_as_none():
    """A p of 3e-12 stood as 0.0000 in the table of a polynomial, and as <.0001 in that of the panel."""
    told = p_texts([0.5, 0.00005, 3e-12, 0.00011, float("nan")])
    assert told == ["0.5000", "<.0001", "<.0001", "0.0001", ""]
    grid = grid_of(pd.DataFrame({"term": ["wax", "load"], "p": told[:2]}))
    assert report(grid).as_text().splitlines()[-2:] == ["  wax   0.5000", "  load  <.0001"]
    assert report(grid).as_html().count("text-align:right") == 3                          # a number, though it has a sign


def test_a_number_stays_with_its_unit_and_with_what_it_is_unsure_by_and_a_long_name_may_go_on_below():
    """A line ended in 20 and the next began with °C; in a narrow page +0.02 stood over (0.17)."""
    told = report(line("Let it stand 24 h at 20 °C, 5 % of it, 3 minutes or 2 pours."),
                  grid(["tester", "hardness_of_it"], [["T_1", "+0.02 (0.17) ab"], ["T2", "0.03 g too little (in all)"]]))
    page = told.as_html()
    assert "<p>Let it stand 24\u00a0h at 20\u00a0°C, 5\u00a0% of it, 3\u00a0minutes or 2 pours.</p>" in page
    assert ">hardness_<wbr>of_<wbr>it</th>" in page and ">T_<wbr>1</td>" in page
    assert ">+0.02\u00a0(0.17)\u00a0ab</td>" in page and ">0.03\u00a0g too little (in all)</td>" in page
    assert told.as_text(width=23).splitlines()[:3] == ["Let it stand 24 h at", "20 °C, 5 % of it,", "3 minutes or 2 pours."]
    assert "\u00a0" not in told.as_text(width=23) and "wbr" not in told.as_text()

"""README.md says what is true: two commands, the ten lines that a test runs, and links that lead somewhere."""
import pathlib
import re
import subprocess
import textwrap

import labkit

ROOT = pathlib.Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def section(title):
    return re.search(rf"^## {title}$(.*?)(?=^## |\Z)", README, re.M | re.S).group(1)


def blocks(text, language):
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.M | re.S)


def test_exactly_two_commands_under_their_headings():
    assert len(re.findall(r"^```sh$", README, re.M)) == 2
    run, = blocks(section("Run it"), "sh")
    test, = blocks(section("Test it"), "sh")
    assert run.count("\n") == test.count("\n") == 1
    assert "labkit next trials/terracotta-stick" in run and "pytest" in test


def test_ci_runs_the_same_test_command():
    shown = subprocess.run(["bash", ROOT / ".ci" / "run", "--show"], text=True, capture_output=True, check=True)
    assert [shown.stdout] == blocks(section("Test it"), "sh")


def test_the_example_is_the_tested_road():
    source = (ROOT / "tests" / "test_whole_road.py").read_text(encoding="utf-8")
    body = source.split("monkeypatch.chdir(ROOT)\n")[1].split("    shown = capsys")[0]
    example, = blocks(README, "python")
    assert example.strip() == textwrap.dedent(body).strip()
    assert 8 <= len([line for line in example.splitlines() if line]) <= 10


def test_links_and_folders_exist():
    links = re.findall(r"\]\(([^)#:]+)\)", README) + re.findall(r"^\| `([^`]+)`", section("Where things are"), re.M)
    assert len(links) >= 6
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_every_public_name_is_told():
    told = set(re.findall(r"\w+", README))
    assert [name for name in labkit.__all__ if name not in told and not name.endswith("Error")] == []


def test_every_caution_of_the_kit_is_there():
    cautions = section("Cautions")
    for word in ("water bath", "never unattended", "no water", "microwave", "do not breathe", "cosmetic-grade",
                 "country of sale", "consent", "bee products", "nut butters", "coconut", "carmine", "fragrance",
                 "Single-use", "cold sores", "discomfort", "legal", "qualified person"):
        assert word in re.sub(r"\s+", " ", cautions), word

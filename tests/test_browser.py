"""The forms in a real browser: JupyterLab on this machine, Chromium without a window, keys and clicks.

An idle sign on the page is shown before the kernel is there, so the server is asked instead.
"""
import json
import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import nbformat
import pandas as pd
import pytest
from definitions import TERRACOTTA
from nbformat.v4 import new_code_cell, new_notebook

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync"]
NO_NEWS = '{"fetchNews": "false", "checkForUpdates": false}'
pytestmark = pytest.mark.skipif(not CHROMIUM and not os.environ.get("CI"), reason="no Chromium on this machine")


class Lab:
    """JupyterLab with folders of its own: no settings, workspace or history of whoever runs the tests."""

    def __init__(self, root, notebooks):
        self.port, self.token, self.log = _free_port(), secrets.token_hex(16), root / "lab.log"
        news = root / "settings" / "@jupyterlab" / "apputils-extension"
        news.mkdir(parents=True)
        (news / "notification.jupyterlab-settings").write_text(NO_NEWS)
        folders = {"HOME": "home", "JUPYTER_CONFIG_DIR": "cfg", "JUPYTER_DATA_DIR": "share",
                   "JUPYTER_RUNTIME_DIR": "run", "JUPYTERLAB_WORKSPACES_DIR": "ws",
                   "JUPYTERLAB_SETTINGS_DIR": "settings", "IPYTHONDIR": "ipython"}
        for folder in folders.values():
            (root / folder).mkdir(exist_ok=True)
        command = [sys.executable, "-m", "jupyter", "lab", "--no-browser", "--ip=127.0.0.1", "--allow-root",
                   f"--port={self.port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={self.token}",
                   f"--ServerApp.root_dir={notebooks}", "--ServerApp.terminals_enabled=False"]
        with open(self.log, "w") as log:
            self.process = subprocess.Popen(
                command, stdout=log, stderr=subprocess.STDOUT, start_new_session=True,
                env=os.environ | {name: str(root / folder) for name, folder in folders.items()})

    def ask(self, what):
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/api/{what}",
                                         headers={"Authorization": f"token {self.token}"})
        with urllib.request.urlopen(request, timeout=5) as answer:
            return json.load(answer)

    def is_up(self):
        assert self.process.poll() is None, self.log.read_text()[-2000:]
        try:
            return bool(self.ask("status"))
        except OSError:
            return False

    def is_ready(self):
        kernels = [session["kernel"] for session in self.ask("sessions")]
        return bool(kernels) and kernels[0]["execution_state"] == "idle" and kernels[0]["connections"] >= 1

    def stop(self):
        os.killpg(self.process.pid, signal.SIGTERM)
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(5)


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _wait_for(condition, seconds=60):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"{condition.__name__} took over {seconds} s"
        time.sleep(0.1)


@pytest.fixture
def lab(tmp_path):
    notebooks = tmp_path / "notebooks"
    notebooks.mkdir()
    server = Lab(tmp_path, notebooks)
    try:
        _wait_for(server.is_up)
        yield server
    finally:
        server.stop()


@pytest.fixture
def page(tmp_path):
    from playwright.sync_api import sync_playwright
    with sync_playwright() as driver:
        browser = driver.chromium.launch_persistent_context(
            str(tmp_path / "profile"), executable_path=CHROMIUM, headless=True, args=FLAGS,
            viewport={"width": 1400, "height": 900})
        yield browser.pages[0] if browser.pages else browser.new_page()
        browser.close()


def open_and_run(lab, page, notebooks, code):
    nbformat.write(new_notebook(cells=[new_code_cell(code)], metadata={"kernelspec": {
        "name": "python3", "display_name": "Python 3", "language": "python"}}), notebooks / "form.ipynb")
    page.goto(f"http://127.0.0.1:{lab.port}/lab/tree/form.ipynb?token={lab.token}&reset",
              wait_until="domcontentloaded")
    page.locator(".jp-Notebook .jp-Cell").first.wait_for(timeout=30_000)
    _wait_for(lab.is_ready)
    page.locator("#jp-main-statusbar", has_text="| Idle").wait_for(timeout=30_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()


def shoot(page, name):
    """A picture for whoever looks at the form; only where a folder for it is given."""
    if os.environ.get("LABKIT_PICTURES"):
        page.screenshot(path=os.path.join(os.environ["LABKIT_PICTURES"], name))


def save(page, boxes, answer, picture):
    """Type into the boxes, press Save, wait for what is said then."""
    for box, text in boxes.items():
        box.fill(text)
    page.locator("button.labkit-save").click()
    page.get_by_text(answer).wait_for(timeout=15_000)
    shoot(page, picture)


def test_scores_typed_in_a_browser_reach_the_disk_as_they_were_meant(lab, page, poured, tmp_path):
    code = f"from labkit.forms import scores_form\nscores_form({str(poured)!r}, tester='T01', session='1')"
    open_and_run(lab, page, tmp_path / "notebooks", code)
    payoff, hardness = (page.locator(f".score-P01-{name} input") for name in ("payoff", "hardness"))
    payoff.wait_for(timeout=30_000)
    assert payoff.input_value() == ""
    save(page, {payoff: "7,5", hardness: "75"}, "it runs from 1 to 5", "scores_refused.png")
    assert not (poured / "scores.csv").exists()
    save(page, {hardness: "4.5"}, "Saved 2 scores.", "scores_saved.png")
    scores = pd.read_csv(poured / "scores.csv", dtype=str)
    assert scores[["pour", "attribute", "score"]].values.tolist() == [["P01", "payoff", "7.5"],
                                                                     ["P01", "hardness", "4.5"]]


def test_weights_typed_in_a_browser_reach_the_disk_as_they_were_meant(lab, page, planned, tmp_path):
    code = f"from labkit.forms import pours_form\npours_form({str(planned)!r})"
    open_and_run(lab, page, tmp_path / "notebooks", code)
    weights = {"melt-M01-candelilla-wax-g": "4,11", "melt-M01-mango-butter-g": "12.9",
               "melt-M01-jojoba-oil-g": "22", "pour-P01-base-g": "19,21", "pour-P01-red-paste-g": "0,79",
               "pour-P01-pour-temperature": "69", "pour-P01-outcome": "ok"}
    page.locator(".pour-P01-outcome input").wait_for(timeout=30_000)
    boxes = {page.locator(f".{name} input"): text for name, text in weights.items()}
    save(page, boxes, "Saved 1 melt and saved 1 pour.", "pours_saved.png")
    grids = page.locator(".widget-gridbox")
    assert grids.count() == 2 and all(grid.evaluate("e => e.scrollWidth <= e.clientWidth") for grid in grids.all())
    pours = pd.read_csv(planned / "pours.csv", dtype=str)
    assert pours.loc[0, ["pour", "base [g]", "red paste [g]", "outcome"]].tolist() == ["P01", "19.21", "0.79", "ok"]


def test_readings_typed_in_a_browser_reach_the_disk_as_they_were_meant(lab, page, poured, tmp_path):
    with open(poured / "trial.toml", "a", encoding="utf-8") as toml:
        toml.write('[attributes.softness]\nreading = "needle depth"\nunit = "mm"\nscale = [0, 20]\n')
    code = f"from labkit import readings_form\nreadings_form({str(poured)!r})"
    open_and_run(lab, page, tmp_path / "notebooks", code)
    first, second = (page.locator(f".reading-P01-softness-{place} input") for place in (1, 2))
    first.wait_for(timeout=30_000)
    save(page, {first: "7,5", second: "75"}, "it runs from 0 to 20", "readings_refused.png")
    assert not (poured / "readings.csv").exists()
    save(page, {second: "8"}, "Saved 2 readings.", "readings_saved.png")
    read = pd.read_csv(poured / "readings.csv", dtype=str)
    assert read[["pour", "method", "value", "repeat"]].values.tolist() == [["P01", "needle depth", "7.5", "1"],
                                                                           ["P01", "needle depth", "8", "2"]]


def test_a_form_wider_than_the_page_is_moved_under_the_names_of_its_rows(lab, page, tmp_path):
    """Without a pot every pour has all its ingredients: six weights, a setting and three columns of words."""
    import labkit
    folder = tmp_path / "wide"
    folder.mkdir()
    (folder / "trial.toml").write_text(re.sub(r"\[melt\]\n.*\n", "", TERRACOTTA))
    labkit.append_round(folder, labkit.plan_round(labkit.read_trial(folder), pours=4, seed=1))
    open_and_run(lab, page, tmp_path / "notebooks", f"from labkit import pours_form\npours_form({str(folder)!r})")
    note = page.locator(".pour-P04-note input")
    note.wait_for(timeout=30_000)
    shoot(page, "wide_form.png")
    grid = page.locator(".widget-gridbox")
    assert grid.evaluate("e => [e.scrollWidth > e.clientWidth, e.scrollHeight <= e.clientHeight + 1]") == [True, True]
    names = page.locator(".labkit-row", has_text="P04")
    left = names.bounding_box()["x"]
    note.scroll_into_view_if_needed()
    note.fill("seen at the end of the row")
    shoot(page, "wide_form_moved.png")
    assert grid.evaluate("e => e.scrollLeft") > 0 and names.bounding_box()["x"] == pytest.approx(left, abs=1)
    box = names.bounding_box()
    there = page.evaluate("([x, y]) => document.elementFromPoint(x, y).closest('.labkit-row') !== null",
                          [box["x"] + box["width"] / 2, box["y"] + box["height"] / 2])
    assert there and note.bounding_box()["x"] > box["x"] + box["width"]

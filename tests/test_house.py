"""The picture of the house in DEVELOPERS.md, read off the source with `ast`: who may know whom."""
import ast
import pathlib
import pkgutil
import re
import subprocess
import sys

import pytest

import labkit
from labkit.errors import LabkitError

ROOT = pathlib.Path(__file__).resolve().parent.parent
HOUSE = [                                      # rows top to bottom, names left to right
    ["errors"],
    ["wording", "checks", "cautions", "handing"],
    ["core"],
    ["ingredients", "statements", "equations", "formula", "region", "reach"],
    ["attributes", "rounds", "portions", "pours", "readings", "served", "scores", "aside"],
    ["definition", "weighed", "swapped", "days", "reordered", "trial", "outgrown", "records"],
    ["store"],
    ["serving", "panel", "planning", "surfaces", "tweaks"],
    ["rehearsal"],
    ["figures", "sheets"],
    ["forms", "__main__"],
]
CORE = ["simplex", "terms", "links", "optimal", "exchange", "order", "serving", "adequacy", "canonical", "importance",
        "failing", "posterior", "levels", "pooled", "reliability", "scale_use", "agreement", "desirability", "improvement",
        "updating", "frontier"]
NUMBERS_ONLY = {"numpy", "scipy", "math", "itertools", "functools", "collections", "dataclasses", "typing",
                "__future__"}
ONE_DOOR = {                                   # outside thing -> the rooms that may touch it
    "statsmodels": {"panel", "surfaces"},
    "matplotlib": {"figures"},
    "seaborn": {"figures"},
    "ipywidgets": {"forms"},
    "IPython": {"forms"},
    "jinja2": {"sheets"},
    "openpyxl": {"store"},
    "os": {"store", "__main__"},
    "pathlib": {"store", "__main__"},
    "tempfile": {"store", "__main__"},
    "shutil": {"store", "__main__"},
    "io": {"store", "__main__"},
    "fcntl": {"store"},
    "sys": {"store", "__main__"},
}
KNOWS_STORE = {"forms", "__main__"}            # the rooms to its right work in memory
HEAVY = ("statsmodels", "matplotlib", "seaborn", "ipywidgets", "IPython", "jinja2", "openpyxl", "scipy.optimize",
         "scipy.stats", "scipy.spatial", "scipy.interpolate")
ONLY_CHECKED = {                               # closed forms that other functions are checked against; spoons, to come
    "labkit.core.agreement.friedman", "labkit.core.canonical.ridge_point",
    "labkit.core.improvement.knowledge_gradient_of_two", "labkit.ingredients.spoon_shares",
}
BY_KIND = {f"labkit.core.desirability.{kind}" for kind in ("rising", "falling", "peak")}     # called by its name as text
LONGEST = 350                                  # lines of a file
PLACE = {room: (row, seat) for row, rooms in enumerate(HOUSE) for seat, room in enumerate(rooms)}
FILES = sorted(path for path in (ROOT / "labkit").rglob("*.py") if path != ROOT / "labkit" / "__init__.py")


def room_of(path):
    return path.relative_to(ROOT / "labkit").with_suffix("").parts[0]


def imports(path):
    """Every module that a file names in an import, and whether the import stands at the top of the file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = {id(node) for node in tree.body}
    package = ("labkit", *path.relative_to(ROOT / "labkit").parts[:-1])
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, id(node) in top) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[:len(package) + 1 - node.level]) + "." if node.level else ""
            whole = (base + (node.module or "")).rstrip(".")
            yield whole, id(node) in top
            yield from ((f"{whole}.{alias.name}", id(node) in top) for alias in node.names)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
class TestFile:
    def test_has_a_place_in_the_house(self, path):
        assert room_of(path) in PLACE

    def test_imports_only_from_above_or_from_its_left(self, path):
        here = room_of(path)
        known = [module.split(".")[1] for module, _ in imports(path)
                 if module.startswith("labkit.") and module.split(".")[1] in PLACE]
        wrong = [there for there in known if there != here and PLACE[there] >= PLACE[here]]
        assert wrong == []

    def test_core_knows_numbers_only(self, path):
        if room_of(path) != "core" or path.name == "__init__.py":
            return
        modules = [module for module, _ in imports(path)]
        assert {module.split(".")[0] for module in modules if not module.startswith("labkit")} <= NUMBERS_ONLY
        inside = {module.split(".")[2] for module in modules
                  if module.startswith("labkit.core.") and module.split(".")[2] in CORE}
        assert all(CORE.index(there) < CORE.index(path.stem) for there in inside if there != path.stem)
        assert all(module.startswith("labkit.core") for module in modules if module.startswith("labkit."))

    def test_outside_things_have_one_door_each(self, path):
        wrong = [module for module, _ in imports(path)
                 if room_of(path) not in ONE_DOOR.get(module.split(".")[0], {room_of(path)})]
        assert wrong == []

    def test_only_the_doors_know_the_store(self, path):
        if any(module.startswith("labkit.store") for module, _ in imports(path)):
            assert room_of(path) in KNOWS_STORE | {"store"}

    def test_heavy_imports_stand_inside_functions(self, path):
        assert [module for module, top in imports(path) if top and module.startswith(HEAVY)] == []

    def test_prints_nothing_asserts_nothing_opens_nothing(self, path):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert not any(isinstance(node, ast.Assert) for node in ast.walk(tree))
        called = {node.func.id for node in ast.walk(tree)
                  if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
        assert not called & {"exec", "eval", "input"}
        if room_of(path) != "__main__":
            assert "print" not in called
        if room_of(path) not in ONE_DOOR["os"]:
            assert "open" not in called


def module_of(path):
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def names_used(path):
    """Every `module.name` of labkit that a file refers to; a name of its own, outside what defines it."""
    tree, found, here = ast.parse(path.read_text(encoding="utf-8")), {}, module_of(path)
    own = {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef)}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("labkit"):
            found |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
    if path.name != "__init__.py":
        yield from found.values()
    for part in tree.body:
        for node in ast.walk(part):
            if isinstance(node, ast.Name) and node.id in own - {getattr(part, "name", "")}:
                yield f"{here}.{node.id}"
            elif isinstance(node, ast.Name) and node.id in found:
                yield found[node.id]
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in found:
                yield f"{found[node.value.id]}.{node.attr}"


def test_every_public_function_and_class_is_asked_for_by_labkit():
    """What nobody but a test calls is public by `labkit.__init__`, a closed form, or not there."""
    rooms = {f"labkit.{room}" for room in labkit._ROOMS}
    passed_on = {f"{module_of(path)}.{name}": f"{node.module}.{name}"
                 for path in FILES if path.name == "__init__.py"
                 for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.ImportFrom)
                 for name in (alias.name for alias in node.names)}
    used = {passed_on.get(name, name) for path in FILES for name in names_used(path)}
    used |= {passed_on.get(f"{room}.{name}", f"{room}.{name}") for room in rooms for name in labkit.__all__}
    defined = {f"{module_of(path)}.{node.name}" for path in FILES
               for node in ast.parse(path.read_text(encoding="utf-8")).body
               if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")}
    left = defined - used - BY_KIND - {"labkit.checks.checked_call"}         # of `labkit.__getattr__`
    assert left == ONLY_CHECKED


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_what_a_neighbour_uses_has_a_public_name(path):
    assert [name for name, _ in imports(path) if name.startswith("labkit.") and name.split(".")[-1].startswith("_")] == []


def test_a_class_has_a_name_of_its_own():
    """One word, one meaning: else whoever reads `Layout` has to ask of which room."""
    found = [node.name for path in FILES for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.ClassDef)]
    assert sorted({name for name in found if found.count(name) > 1}) == []


def test_no_file_is_longer_than_350_lines():
    """Of labkit and of tests, benchmarks among them."""
    found = {path.relative_to(ROOT).as_posix(): len(path.read_text(encoding="utf-8").splitlines())
             for room in ("labkit", "tests") for path in (ROOT / room).rglob("*.py")}
    assert len(found) > 100 and {name: lines for name, lines in found.items() if lines > LONGEST} == {}


def test_the_picture_for_developers_shows_this_house():
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \d+ \| ([^|]+) \|", told, re.M)
    assert [re.findall(r"`(\w+)`", row) for row in rows] == HOUSE
    inside = told.split("Inside `core`, left to right:")[1].split(".\n")[0]
    assert re.findall(r"`(\w+)`", inside) == CORE


def test_every_room_of_the_picture_is_there():
    rooms = {room_of(path) for path in FILES}
    assert rooms == set(PLACE)
    assert {path.stem for path in (ROOT / "labkit" / "core").glob("*.py")} - {"__init__"} == set(CORE)


def test_what_is_named_for_developers_is_there():
    """`surfaces.ground.FURTHER`, `improvement.paid_by_world` of `core`, `Recipe.unmoved`: else nobody finds them."""
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = {name for name in re.findall(r"`(\w+(?:\.[A-Za-z_]\w*)+)`", told)
             if not name.startswith("np.") and not name.endswith((".py", ".md", ".toml", ".csv"))}
    home = {name: ".".join(path.relative_to(ROOT).with_suffix("").parts) for path in FILES
            for name in re.findall(r"^class (\w+)", path.read_text(encoding="utf-8"), re.M)}

    def where(name):
        first = name.split(".")[0]
        return f"{home[first]}." if first in home else "labkit.core." if first in CORE else "labkit."

    missing = []
    for name in sorted(named):
        try:
            pkgutil.resolve_name(where(name) + name)
        except (AttributeError, ImportError):
            missing.append(name)
    assert len(named) > 20 and missing == []


def test_top_level_shows_exactly_these_names():
    visible = [path.name for path in ROOT.iterdir() if not path.name.startswith(".")]
    assert sorted(visible) == ["DEVELOPERS.md", "README.md", "labkit", "notebooks", "pyproject.toml", "tests",
                               "trials"]


def test_import_loads_none_of_the_rooms_and_nothing_heavy():
    code = ("import sys, labkit; dir(labkit); heavy = {'numpy', 'pandas', 'scipy', 'statsmodels'}; "
            "print(sorted(heavy & set(sys.modules)), [name for name in sys.modules if 'labkit.' in name])")
    shown = subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True, check=True)
    assert shown.stdout.strip() == "[] []"


def test_every_public_name_is_found_in_its_room():
    missing = []
    for name in labkit.__all__:
        try:
            getattr(labkit, name)
        except (AttributeError, ImportError) as error:
            missing.append(f"{name}: {error}")
    assert missing == []


def test_errors_are_one_family():
    errors = [getattr(labkit, name) for name in labkit.__all__ if name.endswith("Error")]
    assert len(errors) == 13 and all(issubclass(error, LabkitError) for error in errors)


def test_unknown_name_is_refused():
    with pytest.raises(AttributeError) as caught:
        labkit.__getattr__("bake_cake")
    assert str(caught.value) == "module 'labkit' has no attribute 'bake_cake'"


def test_style_is_what_ruff_says():
    checked = subprocess.run([sys.executable, "-m", "ruff", "check", "--quiet", "labkit", "tests"], cwd=ROOT,
                             text=True, capture_output=True)
    assert checked.stdout + checked.stderr == ""

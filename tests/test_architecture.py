"""The shape of the package, read from its sources."""

import ast
from pathlib import Path

import pytest

import nf2ff

PACKAGE = Path(nf2ff.__file__).parent
FILES = sorted(PACKAGE.glob("*.py"))
TREES = {path.stem: ast.parse(path.read_text(encoding="utf-8")) for path in FILES}

#: A file imports only from lower layers. Each file stands in exactly one.
LAYERS = [
    {"special", "spin"},
    {"translation", "spin_pairs", "rotation"},
    {"torus"},
    {"modes", "grid", "points", "interpolation", "frequency_table"},
    {"rings", "sphere_weights", "harmonic_iteration"},
    {"waves", "samples", "probe", "level_steps"},
    {"scan", "antennas", "level", "geometry"},
    {"radial", "farfield"},
    {"operator", "pattern_modes", "sanity"},
    {"coverage", "self_check"},
    {"inversion", "checks", "whiteness"},
    {"prepared", "consistency", "degree"},
    {"suspicion"},
    {"solution"},
    {"gaps"},
    {"solve", "metrics", "simulate"},
    {
        "search", "patches", "orientation", "probe_models", "spherical_coverage", "power_scan",
        "power_fit", "resolve", "simulated_scan", "far_points",
    },
    {
        "partial_power", "planes", "cuts", "reception", "waveguides", "power_resolution",
        "power_floor",
    },
    {"beam", "power_totals"},
    {"lobes", "substitution", "finite_distance", "power_peak"},
    {"summary"},
    {"budget_metrics", "error_checks", "figures"},
    {"budget_terms", "error_term", "level_interval"},
    {"budget", "position_errors", "towards", "remeasured"},
    {"budget_sum", "signal_errors", "axes_errors", "model_errors"},
    {"budget_table", "range_errors"},
    {"error_terms", "assessment"},
    {"propagation", "uncertainty"},
    {"sensitivity", "stated", "study"},
    {"assessing", "planning", "uncertainty_table"},
    IO := {
        "io", "files", "hdf5", "tables", "text", "level_files", "probe_files", "nsma",
        "nsma_reader", "nsma_cuts", "figures_table", "power_tables", "power_facts", "budget_files",
        "validation", "uncertainty_files", "uncertainty_results", "study_files", "study_results",
        "study_table",
    },
    {"plots", "report"},
    {"error_plots"},
    {"inspection", "transformation", "options"},
    {"transforming", "exporting"},
    {"estimating"},
    {"studying"},
    {"cli", "__main__", "demo"},
]  # fmt: skip
LAYER = {name: i for i, names in enumerate(LAYERS) for name in names}
#: Layers whose files may import each other, in one direction: parts of one thing.
TOGETHER = (IO, {"cli", "__main__", "demo"})
#: Imported by one file, or by those of one layer, each for the reason given there.
HOMES = {
    "ducc0": {"spin", "torus"},
    "h5py": {"io", "files", "hdf5"},
    "matplotlib": {"plots", "error_plots"},
}
#: Slow to import, so only inside the functions that use them.
SLOW = {"matplotlib", "pyshtools", "scipy.stats", "scipy.sparse"}


def imports(tree, *, top_only=False):
    """Dotted names of what a module imports; ``from a import b`` gives a and a.b."""
    if top_only:
        nodes = [n for n in at_import(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
    else:
        nodes = [n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
    names = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        else:
            assert node.level == 0, "imports are absolute"
            names |= {node.module, *(f"{node.module}.{a.name}" for a in node.names)}
    return names


def at_import(tree):
    """Statements that run when the module is imported: not in functions, nor for type checkers."""
    todo = list(tree.body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            todo += node.orelse
            continue
        yield node
        todo += ast.iter_child_nodes(node)


def own(names):
    """Files of the package among dotted names."""
    parts = {n.split(".")[1] for n in names if n.startswith("nf2ff.")}
    return parts & set(TREES)


def test_the_walk_sees_what_it_should():
    # The functions above, on a source that breaks every rule they serve.
    tree = ast.parse(
        "import ducc0.sht\n"
        "from nf2ff import solve, special\n"
        "from nf2ff.io import read_samples\n"
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    import matplotlib\n"
        "try:\n    import scipy.stats\nexcept ImportError:\n    pass\n"
        "def f():\n    import h5py\n"
        "class A:\n    from scipy import sparse\n"
    )
    everything = imports(tree)
    assert {"ducc0.sht", "matplotlib", "scipy.stats", "h5py", "scipy.sparse"} <= everything
    assert own(everything) == {"solve", "special", "io"}
    first = imports(tree, top_only=True)
    assert {"scipy.stats", "scipy.sparse", "ducc0.sht"} <= first
    assert not {"matplotlib", "h5py"} & first


def test_every_file_has_a_layer():
    assert set(TREES) - {"__init__"} <= set(LAYER)
    assert sum(len(names) for names in LAYERS) == len(LAYER)
    assert not [p for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"]


@pytest.mark.parametrize("name", sorted(set(TREES) - {"__init__"}))
def test_imports_go_down(name):
    for other in own(imports(TREES[name])):
        together = any({name, other} <= group for group in TOGETHER)
        assert LAYER[other] < LAYER[name] or together, f"{name}.py imports {other}.py"


@pytest.mark.parametrize("name", sorted(set(TREES) - {"__init__"}))
def test_nothing_is_imported_through_the_package_itself(name):
    # `from nf2ff import solve` is a file; `from nf2ff import Modes` would hide where it is from.
    taken = {n for n in imports(TREES[name]) if n.startswith("nf2ff.") and n.count(".") == 1}
    assert {n.split(".")[1] for n in taken} <= set(TREES) | {"__version__"}
    # The whole package is for those on top of it.
    plain = [a.name for n in ast.walk(TREES[name]) if isinstance(n, ast.Import) for a in n.names]
    assert "nf2ff" not in plain or name in LAYERS[-1]


def test_no_circle_among_parts():
    for group in TOGETHER:
        left = {name: own(imports(TREES[name])) & group for name in group & set(TREES)}
        while left:
            free = {name for name, needs in left.items() if not needs & set(left) - {name}}
            assert free, f"{sorted(left)} import each other in a circle"
            left = {name: needs for name, needs in left.items() if name not in free}


@pytest.mark.parametrize("library", HOMES)
def test_libraries_have_one_home(library):
    users = {
        name
        for name, tree in TREES.items()
        if any(n == library or n.startswith(library + ".") for n in imports(tree))
    }
    assert users <= HOMES[library]
    assert users


@pytest.mark.parametrize("name", sorted(TREES))
def test_slow_libraries_wait_until_they_are_used(name):
    first = imports(TREES[name], top_only=True)
    assert not {s for s in SLOW for n in first if n == s or n.startswith(s + ".")}


def public(tree):
    """Public functions, classes, methods and properties of a module."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                for part in node.body:
                    if isinstance(part, ast.FunctionDef) and not part.name.startswith("_"):
                        yield part


@pytest.mark.parametrize("name", sorted(TREES))
def test_public_names_are_documented(name):
    assert ast.get_docstring(TREES[name])
    missing = [node.name for node in public(TREES[name]) if not ast.get_docstring(node)]
    assert not missing


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_files_stay_short(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 500


@pytest.mark.parametrize("name", sorted(set(TREES) - {"cli", "demo"}))
def test_the_library_does_not_print(name):
    calls = [n for n in ast.walk(TREES[name]) if isinstance(n, ast.Call)]
    assert not [c.lineno for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"]


def test_names_of_the_package_are_where_it_says():
    for name in nf2ff.__all__:
        assert getattr(nf2ff, name) is not None
    assert {"solve", "far_field", "read_samples", "read_probe", "directivity"} <= set(nf2ff.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        nf2ff.nothing  # noqa: B018
    assert "solve" in dir(nf2ff)

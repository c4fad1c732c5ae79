"""Laws of the tree: what no reader should have to check by eye."""

import re
import subprocess
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.management import call_command, get_commands

from fleetcal.records.method import METHOD_VERSION
from fleetcal.reports.entry_words import KINDS

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "fleetcal"
DOCS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
NOT_OURS = {".git", ".venv", "var", "staticfiles", "__pycache__", "node_modules"}
# A list of models to import from is what these are for.
TELLING_INITS = {"fleetcal/fleet/models/__init__.py", "fleetcal/records/models/__init__.py"}
PURE_PACKAGES = ["metrology", "drawing", "simulator"]
PURE_MODULES = [
    "fleetcal.ledger.canonical",
    "fleetcal.ledger.chain",
    "fleetcal.ledger.refusals",
    "fleetcal.evaluation.facts",
    "fleetcal.evaluation.standing",
]
# Written in pieces, so that this file does not find itself.
FORBIDDEN = {
    "work left open": re.compile(r"\b(TO" r"DO|FIX" r"ME)\b"),
    "a path of one machine": re.compile(r"(?<![\w.])/(work|root|home|Users)" r"/\w"),
    "a host that packages come from": re.compile(r"(py" r"pi\.(org|python)|python" r"hosted|npm" r"js\.|proxy\.go" r"lang)"),
    "an index to install from": re.compile(r"^\s*(-i|--(extra-)?index-" r"url)\b", re.MULTILINE),
}  # fmt: skip


def our_files() -> Iterator[Path]:
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        if path.is_file() and not NOT_OURS.intersection(parts) and not any(_is_cache(part) for part in parts):
            yield path


def _is_cache(part: str) -> bool:
    return part.startswith(".") and (part.endswith("_cache") or part == ".hypothesis")


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def python_files() -> list[Path]:
    return [path for path in our_files() if path.suffix == ".py" and PACKAGE in path.parents]


def run(*command: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.django_db
def test_no_migration_is_pending() -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_the_layers_import_only_downwards() -> None:
    linter = Path(sysconfig.get_path("scripts")) / "lint-imports"
    done = run(str(linter), "--no-cache")
    assert done.returncode == 0, done.stdout


def test_the_pure_modules_load_no_framework() -> None:
    names = list(PURE_MODULES)
    for package in PURE_PACKAGES:
        found = [path for path in python_files() if PACKAGE / package in path.parents]
        names += [
            ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for path in found
        ]
    assert len(names) > 30
    names.remove("fleetcal.simulator.__main__")
    code = (
        "import importlib, sys\n"
        f"for name in {names!r}:\n"
        "    importlib.import_module(name)\n"
        "    loaded = {'django', 'celery', 'django_tables2', 'pandas', 'reportlab'} & set(sys.modules)\n"
        "    if loaded:\n"
        "        sys.exit(f'{name} loads {loaded}')\n"
    )
    done = run(sys.executable, "-c", code)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_files_that_make_packages_are_empty() -> None:
    telling = [named(path) for path in our_files() if path.name == "__init__.py" and path.read_text().strip()]
    assert set(telling) <= TELLING_INITS


def test_every_folder_of_tests_is_a_package() -> None:
    # Two test files of one name in two folders would otherwise be taken for each other.
    folders = {path.parent for path in our_files() if path.match("tests/**/test_*.py")}
    assert [named(folder) for folder in folders if not (folder / "__init__.py").exists()] == []


def test_no_module_has_grown_too_long() -> None:
    lengths = {named(path): len(path.read_text().splitlines()) for path in python_files()}
    too_long = {name: lines for name, lines in lengths.items() if lines > 400 and "/migrations/" not in name}
    assert too_long == {}


def test_there_is_no_attic() -> None:
    attics = {"utils", "helpers", "common", "lib", "misc"}
    assert [
        named(path) for path in python_files() if attics & {path.stem, *path.relative_to(ROOT).parts}
    ] == []


@pytest.mark.parametrize("what", FORBIDDEN)
def test_no_file_holds(what: str) -> None:
    found = []
    for path in our_files():
        try:
            text = path.read_text()
        except UnicodeDecodeError:
            continue  # a workbook or an image
        found += [f"{named(path)}: {match[0]}" for match in FORBIDDEN[what].finditer(text)]
    assert found == []


def words_of_docs() -> str:
    return "\n".join(path.read_text() for path in DOCS)


def settings_in(*paths: Path) -> set[str]:
    return {name for path in paths for name in re.findall(r"FLEETCAL_[A-Z_]+\b", path.read_text())}


def test_every_setting_is_documented() -> None:
    read, documented = settings_in(*python_files()), settings_in(ROOT / "docs/operations.md")
    assert read - documented == set(), "read by the code, missing in docs/operations.md"
    assert documented - read == set(), "in docs/operations.md, read by nothing"
    assert settings_in(ROOT / "tests/conftest.py") - settings_in(*DOCS) == set()


def test_every_command_is_documented() -> None:
    ours = {name for name, app in get_commands().items() if app.startswith("fleetcal.")}
    text = words_of_docs()
    assert len(ours) >= 4
    assert {name for name in ours if not re.search(rf"manage\.py {name}\b", text)} == set()


def test_every_page_of_the_docs_that_is_linked_exists() -> None:
    links = [
        (page, target)
        for page in DOCS
        for target in re.findall(r"\]\(([^)#:]+?)(?:#[^)]*)?\)", page.read_text())
    ]
    assert [f"{named(page)}: {target}" for page, target in links if not (page.parent / target).exists()] == []


def test_every_kind_of_entry_is_in_the_ledgers_format_and_written_by_the_code() -> None:
    code = [path.read_text() for path in python_files() if path != PACKAGE / "reports/entry_words.py"]
    text = (ROOT / "docs/ledger-format.md").read_text()
    documented = set(re.findall(r"`([a-z]+\.[a-z_]+)`", text.split("## Kinds")[1].split("\n## ")[0]))
    assert documented == set(KINDS)
    assert [kind for kind in documented if not any(f'"{kind}"' in module for module in code)] == []


def test_every_module_that_the_map_names_exists() -> None:
    named_paths = re.findall(
        r"`([a-z_./]+/[a-z_]*(?:\.py)?)`", (ROOT / "docs/where-things-live.md").read_text()
    )
    assert len(named_paths) > 20
    assert [path for path in named_paths if not (ROOT / path).exists()] == []


def test_every_command_of_the_readme_is_there() -> None:
    text = (ROOT / "README.md").read_text()
    assert set(re.findall(r"manage\.py ([a-z_]+)", text)) <= set(get_commands())
    assert {path for path in re.findall(r"-r (\S+\.txt)", text) if not (ROOT / path).exists()} == set()


def test_the_version_of_the_method_is_explained() -> None:
    assert f"\n| {METHOD_VERSION} |" in (ROOT / "docs/metrology.md").read_text()

"""The house itself: what stands where, and what is written in no file."""

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = {".ci", "api", "demo_scenarios", "dispatch", "shared", "tests"}
FILES = {".gitignore", "DEVELOPERS.md", "README.md", "pyproject.toml"}
VAGUE = {"utils", "util", "helpers", "helper", "common", "manager", "base", "misc"}
TEXT = {".csv", ".html", ".j2", ".json", ".md", ".py", ".svg", ".toml", ".txt", ""}
# Put together here so that this file does not hold what it looks for.
REGISTRIES = re.compile(
    "|".join(("py" + r"pi\.", "python" + "hosted", "conda" + r"\.", "npm" + "js"))
)
MACHINE_PATHS = re.compile(r"(?<![\w.~}-])/(?:work|root|home|Users|opt|tmp)/\w")


def tracked() -> list[Path]:
    """Return the files git knows, those that are still there."""
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"],  # noqa: S607 - git is git
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split("\0")
    return [ROOT / name for name in listed if name and (ROOT / name).is_file()]


def texts() -> Iterator[tuple[str, str]]:
    """Yield the name and the text of every file that is text."""
    for path in tracked():
        if path.suffix in TEXT:
            yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")


def project() -> dict[str, dict[str, dict[str, list[str]]]]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)


def normal(name: str) -> str:
    """Return a package's name as indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pins() -> dict[str, set[str]]:
    """Return the pinned versions by package; several where Pythons differ."""
    found: dict[str, set[str]] = {}
    for line in project()["tool"]["uv"]["constraint-dependencies"]:
        name, version = line.split(";")[0].split("==")
        found.setdefault(normal(name), set()).add(version.strip())
    return found


def test_the_top_level_holds_what_the_map_in_developers_shows_and_nothing_else() -> (
    None
):
    parts = [path.relative_to(ROOT).parts for path in tracked()]
    assert {first for first, *rest in parts if rest} <= FOLDERS
    assert {first for first, *rest in parts if not rest} == FILES
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert all(f"\n{folder}/ " in guide for folder in FOLDERS)


def test_the_map_in_developers_shows_every_module() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    parts = [path.relative_to(ROOT).parts for path in tracked()]
    modules = {
        rest[0] if len(rest) == 1 else f"{rest[0]}/"
        for first, *rest in parts
        if first in {"shared", "dispatch", "api"} and rest[-1].endswith(".py")
    }
    missing = {m for m in modules if f"\n  {m}" not in guide}
    assert missing - {"__init__.py", "trade/"} == set()  # trade/ stands with its files


def test_no_module_has_a_name_that_says_nothing() -> None:
    named = {part.removesuffix(".py") for path in tracked() for part in path.parts}
    assert named.isdisjoint(VAGUE)


def test_no_file_names_a_package_registry() -> None:
    assert [name for name, text in texts() if REGISTRIES.search(text)] == []


def test_no_file_names_a_path_of_somebodys_machine() -> None:
    found = {
        name: match.group()
        for name, text in texts()
        if (match := MACHINE_PATHS.search(text))
    }
    assert found == {}


def test_no_lock_file_is_tracked_because_it_names_servers() -> None:
    assert not [path for path in tracked() if path.suffix == ".lock"]


def test_every_dependency_says_why_it_is_there() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    wanted = project()
    declared = [
        *wanted["project"]["dependencies"],
        *(line for group in wanted["dependency-groups"].values() for line in group),
    ]
    assert len(declared) > 10
    for requirement in declared:
        assert re.search(
            rf'^  "{re.escape(requirement)}", +# \w', text, re.MULTILINE
        ), f"{requirement} has no reason beside it"


def test_every_installed_package_is_pinned_to_the_version_it_has() -> None:
    installed = {
        normal(each.metadata["Name"]): each.version for each in metadata.distributions()
    }
    for mine in ("keyround", "pip", "setuptools"):  # the last two: a plain venv's own
        installed.pop(mine, None)
    pinned = pins()
    assert len(installed) > 10
    loose = {
        name: version
        for name, version in installed.items()
        if version not in pinned.get(name, set())
    }
    assert loose == {}, "renew the pins with .ci/pins, or `uv sync` this environment"


def test_every_declared_package_is_pinned() -> None:
    wanted = project()
    declared = {
        normal(re.split(r"[<>=!~; \[]", line)[0])
        for line in [
            *wanted["project"]["dependencies"],
            *(line for group in wanted["dependency-groups"].values() for line in group),
        ]
    }
    assert declared <= pins().keys()


def test_readme_opens_with_one_paragraph_and_the_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    title, job, block = text.split("\n\n")[:3]
    assert title == "# keyround"
    assert job.startswith("keyround plans")
    assert block.splitlines()[1:-1] == [
        "uv run keyround plan demo_scenarios/one_van",
        "uv run pytest",
    ]


@pytest.mark.parametrize("guide", ["README.md", "DEVELOPERS.md"])
def test_guides_point_at_files_that_are_there(guide: str) -> None:
    text = (ROOT / guide).read_text(encoding="utf-8")
    links = re.findall(r"\]\((?!https?:)([^)#]+)", text)
    assert [link for link in links if not (ROOT / link).exists()] == []
    code = re.findall(r"`((?:shared|dispatch|api|tests|demo_scenarios)/[\w/.]+)`", text)
    assert [path for path in code if not (ROOT / path).exists()] == []


def test_every_demo_day_says_that_it_is_invented() -> None:
    days = [path for path in tracked() if path.name == "day.toml"]
    assert days
    for day in days:
        assert "invented" in day.read_text(encoding="utf-8").lower(), day


def _claims(node: ast.AST, asserting: set[str]) -> bool:
    """Return whether code asserts something, itself or through a function here."""
    for each in ast.walk(node):
        if isinstance(each, ast.Assert):
            return True
        if isinstance(each, ast.Call):
            called = each.func
            name = called.attr if isinstance(called, ast.Attribute) else None
            name = called.id if isinstance(called, ast.Name) else name
            if name in asserting or name in {"raises", "warns", "expect"}:
                return True
    return False


def test_every_test_asserts_something() -> None:
    silent = []
    for path in tracked():
        if not (path.name.startswith("test_") and path.suffix == ".py"):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
        asserting = {
            function.name
            for function in functions
            if any(isinstance(node, ast.Assert) for node in ast.walk(function))
            or function.name.startswith("assert_")
        }
        silent += [
            f"{path.relative_to(ROOT)}: {function.name}"
            for function in functions
            if function.name.startswith("test_") and not _claims(function, asserting)
        ]
    assert silent == []

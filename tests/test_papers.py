"""README, guide and DEVELOPERS contain what the program does, and every example in them runs."""

import re
import shlex
import shutil
import sys
from dataclasses import fields
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt
from mdit_py_plugins.anchors import anchors_plugin

import demo_sites
from demo_sites.map_picture import PICTURE
from layers.estimates.sampled_length import GROUPINGS
from service.columns import SUMMARY_COLUMNS
from service.commands.demo_store import FILE_NAME, build_demo
from service.commands.summary import SUMMARIES
from service.intake.columns import SHEETS
from service.intake.templates import explanations
from service.program import COMMANDS, main
from service.settings import Settings, read_settings

ROOT = Path(__file__).parents[1]
GUIDE = sorted((ROOT / "service" / "guide").glob("*.md"))
ROOM_READMES = sorted([*ROOT.glob("service/*/README.md"), *ROOT.glob("layers/*/README.md")])
PAPERS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDE, *ROOM_READMES]
LIMITS = {ROOT / "README.md": 900, ROOT / "DEVELOPERS.md": 1_000} | dict.fromkeys(ROOM_READMES, 400)
MARKDOWN = MarkdownIt("commonmark").enable("table").use(anchors_plugin, max_level=6)
PASSWORD = "willow herb under the bridge\n" * 2


def name_of(path):
    return str(path.relative_to(ROOT))


def fences(path):
    """Fenced blocks of a paper: what follows the three marks, and the text."""
    tokens = MARKDOWN.parse(path.read_text(encoding="utf-8"))
    return [(token.info.split(), token.content) for token in tokens if token.type == "fence"]


def links_of(path):
    """Targets of the links and pictures of a paper."""
    for token in MARKDOWN.parse(path.read_text(encoding="utf-8")):
        for part in token.children or ():
            if part.type in ("link_open", "image"):
                yield part.attrs.get("href") or part.attrs["src"]


def tables_of(path):
    """Tables of a paper: rows of cells as written."""
    text = path.read_text(encoding="utf-8")
    for block in re.findall(r"(?:^\|.*\|\n?)+", text, re.MULTILINE):
        rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in block.splitlines()]
        yield [rows[0], *rows[2:]]


@pytest.fixture(scope="module")
def island(tmp_path_factory):
    """A folder with the files that the papers name, and the demonstration as `brook.gpkg`."""
    folder = tmp_path_factory.mktemp("island")
    for path in Path(demo_sites.__file__).parent.glob("*.csv"):
        shutil.copy(path, folder)
    shutil.copy(demo_sites.ISLAND, folder)
    return folder, build_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture
def served(monkeypatch):
    """What `serve` was to serve; it returns at once."""
    calls = []
    monkeypatch.setattr(
        "service.commands.serve.serve_path", lambda _, path, *rest: calls.append((path, *rest))
    )
    return calls


@pytest.mark.parametrize("paper", [ROOT / "README.md", *GUIDE], ids=name_of)
def test_examples_run_in_their_order(paper, island, tmp_path, monkeypatch, served):
    """Files shown on a page are written, then its commands run, and each one succeeds."""
    folder, demo = island
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    if paper in GUIDE:
        shutil.copy(demo, tmp_path / "brook.gpkg")
    monkeypatch.chdir(tmp_path)
    ran = 0
    for info, text in fences(paper):
        if len(info) == 2:  # kind and name of a file
            Path(info[1]).write_text(text, encoding="utf-8")
        for line in text.replace("\\\n", "").splitlines() if info == ["sh"] else ():
            command, _, target = line.partition(" > ")
            words = shlex.split(command, comments=True)
            if words[:1] != ["rifflebook"]:
                assert not words or words[:3] == ["python3", "-m", "venv"], line
                continue
            result = CliRunner().invoke(main, words[1:], input=PASSWORD)
            assert result.exit_code == 0, f"{line}\n{result.output}\n{result.exception!r}"
            if target:
                Path(target.strip()).write_text(result.stdout, encoding="utf-8")
            ran += 1
    assert ran
    assert len(served) == paper.read_text(encoding="utf-8").count("\nrifflebook serve ")


@pytest.mark.parametrize("paper", LIMITS, ids=name_of)
def test_papers_are_short(paper):
    """Words as `wc -w` counts them."""
    assert len(paper.read_text(encoding="utf-8").split()) <= LIMITS[paper]


@pytest.mark.parametrize("paper", PAPERS, ids=name_of)
def test_links_of_papers_resolve(paper):
    """Every relative link leads to a file of the project, and to a section that is there."""
    for link in links_of(paper):
        target, _, section = link.partition("#")
        if re.match(r"https?:", target):
            continue
        path = (paper.parent / target).resolve() if target else paper
        assert path.is_relative_to(ROOT), link
        assert path.exists(), link
        if section:
            sections = [
                token.attrs.get("id")
                for token in MARKDOWN.parse(path.read_text(encoding="utf-8"))
                if token.type == "heading_open"
            ]
            assert section in sections, link


@pytest.mark.parametrize("paper", [ROOT / "DEVELOPERS.md", *ROOM_READMES], ids=name_of)
def test_files_named_for_developers_exist(paper):
    """A module or template that a paper names is there, under the room or from the root."""
    text = paper.read_text(encoding="utf-8")
    for named in re.findall(r"`([\w/]+\.(?:py|toml|js|css|html|md))`", text):
        beside = [ROOT, ROOT / "service", paper.parent]
        inside = list(paper.parent.rglob(named)) if paper in ROOM_READMES else []
        assert inside or any((folder / named).exists() for folder in beside), named


def test_readme_shows_the_map_in_a_small_picture():
    """The picture is a PNG of at most 200 kB; the module that takes it writes that very file."""
    assert PICTURE == ROOT / "demo_sites" / "map.png"
    assert "demo_sites/map.png" in links_of(ROOT / "README.md")
    assert PICTURE.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert PICTURE.stat().st_size <= 200_000


def test_readme_leads_to_every_page_of_the_guide():
    """Nothing of the guide is hidden from whoever reads README on a code host."""
    assert {name_of(page) for page in GUIDE} <= set(links_of(ROOT / "README.md"))


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help(name):
    """`rifflebook COMMAND --help` works for every command, and a paper shows the command."""
    result = CliRunner().invoke(main, [name, "--help"])
    assert "\b" not in result.output  # click's own sign, which is not for readers
    assert result.exit_code == 0, result.output
    assert "Usage:" in result.output
    shown = "".join(text for paper in PAPERS for info, text in fences(paper) if info == ["sh"])
    assert re.search(rf"rifflebook {name}\b", shown)


def two_commands():
    return [text.strip() for _, text in fences(ROOT / "README.md")[:2]]


def test_two_commands_do_all_the_setting_up():
    """Each of the first two commands makes its own environment and does one whole thing."""
    first, second = two_commands()
    for line, end in ((first, ".venv/bin/rifflebook demo"), (second, ".venv/bin/pytest")):
        assert "\n" not in line
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert line.endswith(end)


@pytest.mark.skipif(sys.platform != "linux", reason="README names the folder of Linux")
def test_readme_says_where_the_demonstration_lands(monkeypatch):
    """The folder is the one the command takes, and commands after the first can be found."""
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    folder = Path(click.get_app_dir("rifflebook")).relative_to(Path.home())
    assert f"`~/{folder}`" in readme
    assert FILE_NAME in readme
    assert ". .venv/bin/activate" in readme.split("## A first day")[1].split("```")[0]


def test_continuous_integration_runs_the_readme():
    """.ci/run runs README's own test command, word for word, and is executable."""
    script = ROOT / ".ci" / "run"
    assert two_commands()[1] in script.read_text(encoding="utf-8").splitlines()
    assert script.stat().st_mode & 0o111


def test_columns_of_the_guide_are_those_of_the_functions():
    """The table of summary columns is what the functions promise."""
    text = (ROOT / "service" / "guide" / "figures.md").read_text(encoding="utf-8")
    table = dict(re.findall(r"^\| `([a-z-]+[^`]*)` \| (.+) \|$", text, re.MULTILINE))
    names = {
        "nearest-reach --per placement": "placement_reaches",
        "nearest-reach --per reach": "reach_summary",
        "sampled-length --by LIST": "sampled_length",
        "occurrence": "occurrence",
        "effort": "effort",
        "coverage": "coverage",
        "streams": "streams",
        "gaps --count KIND": "gaps",
        "next-places --count N --within M": "next_places",
        "depletion": "depletion",
        "detection --unit reach": "detection",
        "detection --per catchment": "chance_present",
        "richness --per catchment": "richness",
        "richness --per gear": "standard_richness",
        "lengths --per species": "lengths",
        "lengths --per class": "length_classes",
        "lengths --per fish": "fish_condition",
        "change --per species": "change",
        "change --per year": "change_by_year",
        "returns": "returns",
    }
    assert set(table) == set(names)
    assert {key.split()[0] for key in table} == set(SUMMARIES)
    for key, columns in table.items():
        own = columns.split(", then ")[-1] if "sampled" in key else columns
        assert tuple(own.split(", ")) == SUMMARY_COLUMNS[names[key]], key
    groupings = re.search(r"groupings of LIST \(([^)]+)\)", text)[1]
    assert tuple(groupings.split(", ")) == GROUPINGS


@pytest.mark.parametrize("sheet", SHEETS)
def test_columns_of_the_guide_are_those_of_the_sheets(sheet):
    """The guide explains every column of a sheet as the templates do."""
    text = (ROOT / "service" / "guide" / "sheets.md").read_text(encoding="utf-8")
    rows = [
        f"| {'**' if needed else ''}`{name}`{'**' if needed else ''} | {unit} | {what} | {others} |"
        for _, name, needed, unit, what, _, others in explanations(sheet)
    ]
    head = (
        f"### {sheet}\n\n| column | unit | what to write | also understood |\n|---|---|---|---|\n"
    )
    table = head + "\n".join(rows) + "\n\n"
    assert table in text, f"service/guide/sheets.md should say:\n{table}"


def test_settings_of_the_guide_are_those_of_the_program(tmp_path):
    """The table names every setting, with its default, and the file shown can be read."""
    page = ROOT / "service" / "guide" / "accounts.md"
    (example,) = (text for info, text in fences(page) if info == ["toml", "settings.toml"])
    (tmp_path / "settings.toml").write_text(example, encoding="utf-8")
    assert read_settings(tmp_path / "settings.toml", {}) != Settings()
    (table,) = (table for table in tables_of(page) if table[0][0] == "setting")
    stated = {name.strip("`"): default for name, default, _ in table[1:]}
    assert stated == {
        field.name: "login name" if field.name == "user" else words_of(field.default)
        for field in fields(Settings)
    }


def words_of(default):
    return f"{default:g}" if isinstance(default, float) else str(default) or "none"

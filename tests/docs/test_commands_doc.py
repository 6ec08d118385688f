"""Every command is in docs/start.md and no other; command lines and links of the docs are good."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from weirwatch.cli.main import build_app

ROOT = Path(__file__).parents[2]
START = (ROOT / "docs" / "start.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
APP: Any = get_command(build_app())


def commands(group: Any, above: str = "") -> Iterator[tuple[str, Any]]:
    for name, command in group.commands.items():
        if getattr(command, "commands", None):
            yield from commands(command, f"{above}{name} ")
        else:
            yield f"{above}{name}", command


COMMANDS = dict(commands(APP))


def test_every_command_is_told_and_every_told_one_exists() -> None:
    table = START.split("| command | does |")[1]
    told = re.findall(r"`([a-z -]+)`", "".join(re.findall(r"^\| (`.+?) \|", table, re.MULTILINE)))
    assert sorted(told) == sorted(COMMANDS)


def lines(text: str) -> Iterator[str]:
    """Command lines: in blocks of code, and in the text between backticks."""
    for block in re.findall(r"```(?:sh|text)\n(.*?)```", text, re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            found = re.match(r"\s*(?:\.venv/bin/)?weirwatch ([a-z].*)", line)
            if found:
                yield found[1]
    yield from re.findall(r"`weirwatch ([a-z][^`]*)`", text)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_line_names_a_command_and_its_options(page: Path) -> None:
    for line in lines(page.read_text(encoding="utf-8")):
        words = re.split(r"\s+#|\s[|&]", line)[0].split()
        one, two = words[0], " ".join(words[:2])
        if one in {name.partition(" ")[0] for name in COMMANDS} and one not in COMMANDS:
            family = APP.commands[one].commands
            assert two in COMMANDS or len(words) == 1 or words[1] not in family, line
            if two not in COMMANDS:
                continue  # the family itself is meant
        name = two if two in COMMANDS else one
        assert name in COMMANDS, (page.name, line)
        known = {o for parameter in COMMANDS[name].params for o in parameter.opts}
        used = {w.strip("[]").partition("=")[0] for w in words if w.strip("[]").startswith("--")}
        assert used <= known | {"--help"}, (page.name, line)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_to_a_page_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


def test_the_readme_leads_to_every_page() -> None:
    named = set(re.findall(r"\(docs/([\w.-]+\.md)\)", PAGES[0].read_text(encoding="utf-8")))
    pages = {page.name for page in (ROOT / "docs").glob("*.md")}
    reached = {
        target
        for page in pages & named
        for target in re.findall(r"\]\(([\w.-]+\.md)", (ROOT / "docs" / page).read_text("utf-8"))
    }
    assert pages <= named | reached

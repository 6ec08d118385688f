"""docs/api.md names every route and no other, and its examples run as they stand."""

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from support.web_world import World, made_world

API = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")
ADDRESS = "http://127.0.0.1:8080"
PICTURE = b"\xff\xd8\xff\xe0 and so on \xff\xd9"
EXAMPLES = [
    command.replace("\\\n", " ")
    for block in re.findall(r"```sh\n(.*?)```", API, re.DOTALL)
    for command in re.split(r"\n(?=curl)", block.strip())
]


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    with made_world(tmp_path_factory.mktemp("harbour")) as made:
        api = f"http://127.0.0.1:{made.port}/api/v1"
        assert httpx.post(f"{api}/log", json={"kind": "note", "text": "anemone"}).is_success
        head = {"Content-Type": "image/jpeg"}
        assert httpx.post(f"{api}/log/1/photos", content=PICTURE, headers=head).is_success
        yield made


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the examples run: the picture that one of them sends lies there."""
    made = tmp_path_factory.mktemp("here")
    (made / "anemone.jpg").write_bytes(PICTURE)
    return made


@pytest.fixture(scope="module")
def curl() -> str:
    path = shutil.which("curl")
    if path is None:
        sentence = "curl not found: apt-get install curl"
        if os.environ.get("WEIRWATCH_REQUIRE_ALL") == "1":
            pytest.fail(sentence)
        pytest.skip(sentence)
    return path


def test_every_route_is_documented_and_every_documented_one_exists(world: World) -> None:
    documented = re.findall(r"^### `([A-Z]+) (/\S+)`$", API, re.MULTILINE)
    routes = [
        (method.upper(), path)
        for path, operations in world.app.openapi()["paths"].items()
        for method in operations
    ]
    assert sorted(documented) == sorted(routes)


def test_every_route_has_an_example() -> None:
    sections = re.split(r"^### ", API, flags=re.MULTILINE)[1:]
    bare = [
        section.splitlines()[0]
        for section in sections
        if section.startswith("`") and "```sh\ncurl" not in section
    ]
    assert bare == []


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_runs(world: World, curl: str, folder: Path, example: str) -> None:
    command = example.replace(ADDRESS, f"http://127.0.0.1:{world.port}")
    assert command != example
    stream = " -N " in command
    for patience_s in (1, 10, 60):  # only a stream is cut off, and only then looked at
        more = f" --max-time {patience_s}" if stream else " --fail-with-body"
        run = subprocess.run(
            command.replace("curl", f"{curl} -sS{more}", 1),
            shell=True,
            capture_output=True,
            text=True,
            timeout=120,
            cwd=folder,
        )
        if run.stdout or not stream:
            break
    if stream:
        assert run.returncode == 28, "it streams until curl has had enough"
        assert run.stdout.startswith("retry: 2000\n\nid: 1\ndata: {")
    else:
        assert run.returncode == 0, run.stdout
        assert _is_whole(command, run.stdout)


def _is_whole(command: str, answer: str) -> bool:
    """Whether it is what the example promises."""
    if "-o anemone.jpg" in command:
        return not answer
    if "/metrics" in command:
        return answer.endswith("# EOF\n")
    if "text/csv" in command:
        return answer.startswith("start,end,min,mean,max,count,first,last\n")  # text mode
    if "format=jsonl" in command:
        return all(json.loads(line) for line in answer.splitlines())
    return bool(json.loads(answer))

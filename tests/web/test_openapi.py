"""The OpenAPI document is valid, and the API does what it says: judged by tools not ours."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest
from openapi_spec_validator import validate

EXAMPLES = "12"  # of each operation, phase by phase; by hand 60 and more were run


@pytest.fixture
def document(api: httpx.Client) -> dict[str, Any]:
    found: dict[str, Any] = api.get("openapi.json").json()
    return found


def test_the_document_is_valid(document: dict[str, Any]) -> None:
    validate(document)
    assert document["openapi"].startswith("3.1")
    assert document["info"]["title"] == "Weirwatch"


def test_every_error_is_documented_as_a_problem(document: dict[str, Any]) -> None:
    for path, operations in document["paths"].items():
        for operation in operations.values():
            assert "422" not in operation["responses"], path
            for status, response in operation["responses"].items():
                if int(status) >= 400:
                    assert list(response["content"]) == ["application/problem+json"], path
            assert {"403", "500", "503"} <= operation["responses"].keys(), path
            assert operation["description"], path


def test_operation_names_are_unique(document: dict[str, Any]) -> None:
    names = [o["operationId"] for path in document["paths"].values() for o in path.values()]
    assert len(names) == len(set(names))


@pytest.mark.slow
def test_schemathesis_finds_no_fault(port: int, tmp_path: Path) -> None:
    """Checks of schemathesis 4: no 5xx, schemas, status codes, content types, methods, …

    The stream never ends, so it has tests of its own.
    """
    command = [
        str(Path(sys.executable).with_name("st")),
        "run",
        f"http://127.0.0.1:{port}/api/v1/openapi.json",
        "--exclude-path=/api/v1/events/stream",
        f"--max-examples={EXAMPLES}",
        "--seed=20260501",
        "--request-timeout=60",
        "--suppress-health-check=too_slow",
        "--no-color",
    ]
    run = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=900)
    assert run.returncode == 0, run.stdout[-8000:] + run.stderr[-2000:]
    assert "No issues found" in run.stdout

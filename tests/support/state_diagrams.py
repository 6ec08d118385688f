"""The generated parts of docs/alarms.md: state tables and diagrams, and the worked examples.

(cd tests && ../.venv/bin/python -m support.state_diagrams)      rewrites them, and the drawings
"""

from enum import StrEnum
from pathlib import Path

from support.alarm_plots import sections, written

from weirwatch.domain.alarm import AlarmState, ServiceState
from weirwatch.domain.lifecycle import SERVICE_TABLE, STATE_TABLE, ServiceSignal, Signal

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "alarms.md"


def table(states: type[StrEnum], signals: type[StrEnum], cells: dict) -> str:  # type: ignore[type-arg]
    """A Markdown table: one row a state, one column a signal, – for refused."""
    lines = ["| state | " + " | ".join(signals) + " |", "|---" * (len(signals) + 1) + "|"]
    for state in states:
        row = [cells.get((state, signal), "–") for signal in signals]
        lines.append(f"| **{state}** | " + " | ".join(row) + " |")
    return "\n".join(lines)


def diagram(cells: dict) -> str:  # type: ignore[type-arg]
    """A Mermaid state diagram."""
    lines = ["```mermaid", "stateDiagram-v2"]
    for (state, signal), after in cells.items():
        lines.append(f"    {_name(state)} --> {_name(after)}: {signal}")
    return "\n".join([*lines, "```"])


def generated() -> dict[str, str]:
    """Each generated part by its name."""
    return {
        "states": table(AlarmState, Signal, STATE_TABLE) + "\n\n" + diagram(STATE_TABLE),
        "service-states": table(ServiceState, ServiceSignal, SERVICE_TABLE)
        + "\n\n"
        + diagram(SERVICE_TABLE),
        "examples": sections(),
    }


def filled(text: str) -> str:
    """The document with its generated parts as the code has them."""
    for name, part in generated().items():
        begins, ends = f"<!-- generated: {name} -->\n\n", "\n\n<!-- end -->"
        head, _, rest = text.partition(begins.rstrip("\n"))
        _, _, tail = rest.partition("<!-- end -->")
        text = head + begins + part + ends + tail
    return text


def _name(state: str) -> str:
    return state.replace("-", "_")


if __name__ == "__main__":
    for path, svg in written().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(svg, encoding="utf-8")
    DOCUMENT.write_text(filled(DOCUMENT.read_text(encoding="utf-8")), encoding="utf-8")

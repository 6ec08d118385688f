"""The tables of docs/catalogue-rules.md, made from the catalogue's rules and figures.

.venv/bin/python tests/support/catalogue_table.py      rewrites the generated parts
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from weirwatch.config.catalogue_figures import FIGURES
from weirwatch.config.catalogue_template import ANY, Template

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "catalogue-rules.md"
_WORDS = ("title", "kind", "priority", "response", "on_delay_s", "off_delay_s", "while", "latching")


def rules(templates: tuple[Template, ...]) -> str:
    """A Markdown table: one row a rule, in the order in which they are chosen."""
    head = "| Failure | Channel | Kind | Limits | Sounds after | Give yourself | Priority |"
    return "\n".join([head, "|---|---|---|---|---|---|---|", *map(_row, templates)])


def figures() -> str:
    """A Markdown table of what the plant tells."""
    rows = [f"| `{name}` | {figure.unit} | {figure.says} |" for name, figure in FIGURES.items()]
    return "\n".join(["| Figure | Unit | How |", "|---|---|---|", *rows])


def filled(text: str, templates: tuple[Template, ...]) -> str:
    """The document with its generated parts as the code has them."""
    for name, part in {"rules": rules(templates), "figures": figures()}.items():
        begins, ends = f"<!-- generated: {name} -->", "<!-- end -->"
        head, _, rest = text.partition(begins)
        text = f"{head}{begins}\n\n{part}\n\n{ends}{rest.partition(ends)[2]}"
    return text


def _row(template: Template) -> str:
    keys = template.keys
    told = [f"{k} {_told(v)}" for k, v in keys.items() if k not in (*_WORDS, *template.plant)]
    told += [f"{key} {_figure(spec)}" for key, spec in template.plant.items()]
    linked = [f"{key} {_told(link)}" for key, link in template.links.items()]
    terms = [f"while {_told(keys['while'])}"] if "while" in keys else []
    missing = [k for k in (*template.give, *template.plant) if k not in keys]
    given = [f"`{key}`" for key in template.give]
    given += [f"`{key}` without a plant" for key in missing if key not in template.give]
    after = (
        keys.get("on_delay_s", 0),
        keys.get("within_s", 0) if keys["kind"] != "forecast" else 0,
    )
    cells = (
        f"`{template.failure}`",
        "any" if template.quantity == ANY else template.quantity,
        keys["kind"],
        "; ".join([*told, *linked, *terms]) + (f" ({template.unit})" if template.unit else ""),
        f"{sum(after):g} s",
        ", ".join(given),
        keys["priority"],
    )
    return f"| {' | '.join(cells)} |"


def _figure(spec: Mapping[str, Any]) -> str:
    times = f" × {spec['times']:g}" if "times" in spec else ""
    plus = spec.get("plus", 0.0)
    return f"`{spec['of']}`{times}" + (f" {'+' if plus > 0 else '−'} {abs(plus):g}" if plus else "")


def _told(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        if "of" in value:
            return _figure(value)
        return " ".join(f"{key} {_told(item)}" for key, item in value.items() if key != "optional")
    if isinstance(value, list):
        return ", ".join(_told(item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    from weirwatch.config.catalogue_rules import load_templates

    document = filled(DOCUMENT.read_text(encoding="utf-8"), load_templates())
    DOCUMENT.write_text(document, encoding="utf-8")

"""The frame of a report in one HTML file: its style, head and end; no script, nothing fetched."""

from collections.abc import Sequence
from html import escape

_STYLE = """
body{font:15px/1.5 Georgia,serif;max-width:52rem;margin:2rem auto;padding:0 1rem;color:#222;
background:#fdfcf9}
h1{font-weight:normal}h2{font-size:1.1rem;margin:2.2rem 0 .2rem;border-top:1px solid #bbb;
padding-top:.8rem}table{border-collapse:collapse;font-size:.85rem;width:100%}
td,th{text-align:left;padding:.15rem .6rem .15rem 0;border-bottom:1px solid #ddd}
.bad{font-weight:bold}.bad::before{content:"\\25B2 "}.small{font-size:.85rem;color:#555}
svg{width:100%;height:auto;margin-top:.6rem}
@media print{body{background:#fff}h2{page-break-after:avoid}}
"""


def html_document(title: str, parts: Sequence[str]) -> str:
    """Return the whole file; `parts` are HTML already."""
    return "\n".join(
        (
            '<!doctype html><html lang="en"><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width,initial-scale=1">',
            f"<title>{escape(title)}</title><style>{_STYLE}</style>",
            *parts,
            "</html>",
        )
    )

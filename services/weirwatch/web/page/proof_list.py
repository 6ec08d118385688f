"""Home of the proof tests on the log page: which sensor, when last, how, and what came of it."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from nicegui.element import Element

from weirwatch.domain.instant import Micros
from weirwatch.pipeline.proofs import FAILED, PASSED
from weirwatch.web.page.parts import Words, box, markup
from weirwatch.web.page.report_leaves import proof_html, told_apart

Json = Mapping[str, Any]
Record = Callable[[str, str, str], Awaitable[None]]
_ANSWERS = ((PASSED, "It reacted"), (FAILED, "It did not react"))


class ProofList:
    """One row a sensor, made anew only when its proof has changed: open steps stay open.

    Args:
        record: is given channel, result and the operator's name; None: nothing can be written here.
    """

    def __init__(self, record: Record | None) -> None:
        self._record = record
        self._empty = Words("p", "No channel has a sensor that can be proved.", "ww-nothing")
        self._root = box("ul", "ww-entries ww-proofs")
        self._rows: dict[str, tuple[Json, Element]] = {}

    def show(self, proofs: Sequence[Json], now: Micros, zone: ZoneInfo) -> None:
        """Bring the list up to date; what is due comes first."""
        self._empty.set_visibility(not proofs)
        for place, proof in enumerate(sorted(told_apart(proofs), key=_due_first)):
            known = self._rows.get(proof["channel"])
            if known is None or known[0] != proof:
                if known is not None:
                    known[1].delete()
                with self._root:
                    known = (proof, self._row(proof, now, zone))
                self._rows[proof["channel"]] = known
            if self._root.default_slot.children[place] is not known[1]:
                known[1].move(self._root, place)

    def _row(self, proof: Json, now: Micros, zone: ZoneInfo) -> Element:
        row = box("li", "ww-strong" if proof["overdue"] else "", data_channel=proof["channel"])
        with row:
            markup(proof_html(proof, now, zone), "ww-what")
            with box("details", "ww-more"):
                Words("summary", "How it is proved")
                with box("ol", "ww-steps"):
                    for step in proof["steps"]:
                        Words("li", step)
                Words("p", f"Within {proof['within_s']:g} s its channel must change.")
                if self._record is not None:
                    with box("div", "ww-form"):
                        for result, label in _ANSWERS:
                            _button(self._record, proof, result, label)
        return row


def _due_first(proof: Json) -> bool:
    return not proof["overdue"]


def _button(record: Record, proof: Json, result: str, label: str) -> None:
    button = Words("button", label, "ww-button", type="button")
    button.props["aria-label"] = f"{proof['title']}: {label.lower()}"

    async def tell(event: Any) -> None:
        await record(proof["channel"], result, str(event.args or "").strip()[:60])

    button.on("click", tell, js_handler="() => emit(weirwatch.operator())")

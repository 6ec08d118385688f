"""What is dosed: a doser on its clock, a hand that pours, and the keeper's daily two-part."""

from weirsim.gear import DoserSpec
from weirsim.ledger import Ledger
from weirsim.upset import Upset
from weirsim.vessels import Water
from weirwatch.water.carbonate import DKH_PER_MEQ_L

_HAND_S = 19 * 3600.0  # the keeper doses after a day's work
_MOST_BY_HAND_DKH = 1.0  # a day at most; common practice, no source
_CARBON = {"carbonate": 0.5, "bicarbonate": 1.0}  # mol of carbon per equivalent


class Dosing:
    """Two-part solutions on their way into the sump. Their own volume is neglected.

    Args:
        spec: of the doser.
        target_dkh: what the keeper doses towards.
        by_hand: whether the keeper doses at all: not where a reactor does it.

    Attributes:
        running: whether the doser's pump runs.
    """

    def __init__(self, spec: DoserSpec, target_dkh: float, by_hand: bool, ledger: Ledger) -> None:
        self._spec = spec
        self._target_dkh = target_dkh
        self._by_hand = by_hand
        self._ledger = ledger
        self._seen_s = _HAND_S
        self.running = False

    def step(
        self, upset: Upset, sump: Water, system_m3: float, local_s: float, dt_s: float
    ) -> None:
        """Dose for a while."""
        spec = self._spec
        self.running = upset.powered and local_s % (3600.0 * spec.every_h) < spec.for_s
        if upset.doser is not None:
            self.running = upset.powered and upset.doser
        if self.running:
            self._pour(sump, spec.rate_l_h * spec.strength_meq_l / 3.6e6 * dt_s, 0.5, "carbonate")
        if upset.poured_dkh_h > 0.0:
            dkh = upset.poured_dkh_h * dt_s / 3600.0
            self._pour(sump, dkh / DKH_PER_MEQ_L * system_m3, 0.0, "carbonate")
        before_s, self._seen_s = self._seen_s, local_s
        if self._by_hand and before_s < _HAND_S <= local_s:
            self._top_up(sump, system_m3)

    def _top_up(self, sump: Water, system_m3: float) -> None:
        has_dkh = sump.alkalinity_mol / sump.volume_m3 * DKH_PER_MEQ_L if sump.volume_m3 else 99.0
        dkh = min(self._target_dkh - has_dkh, _MOST_BY_HAND_DKH)
        if dkh > 0.0:
            self._pour(sump, dkh / DKH_PER_MEQ_L * system_m3, 0.5, "bicarbonate")

    def _pour(self, sump: Water, equivalents: float, calcium_share: float, dose: str) -> None:
        self._ledger.dosed_mol += equivalents
        carbon = equivalents * _CARBON[dose]
        self._ledger.bring(sump, 0.0, equivalents, carbon, equivalents * calcium_share)

"""What earlier boards of the same type say: how often each part was the fault."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

# Weight of "this board type is new to us", in repaired boards: after ten the history counts half.
_NEW_TO_US_JOBS = 10.0
# However long the history, a part is never favoured over one never seen failing by more than this,
# so a clear picture (likelihood ratios of hundreds and more) always wins over habit.
_MOST_FAVOUR = 25.0


@dataclass(frozen=True, slots=True)
class FaultHistory:
    """Failed parts of one board type.

    Attributes
    ----------
    board_type
        Name of the board type.
    jobs
        Repaired jobs of this type in which a part was named.
    counts
        How often each part was the fault.
    """

    board_type: str
    jobs: int
    counts: Mapping[str, int] = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """One line such as "seen before on this board type: C17 in 6 of 9"; may be empty."""
        if not self.jobs or not self.counts:
            return ""
        ranked = sorted(self.counts.items(), key=lambda item: (-item[1], item[0]))[:3]
        named = ", ".join(f"{ref} in {n}" for ref, n in ranked)
        return f"seen before on this board type: {named} of {self.jobs}"


def history_weights(history: FaultHistory, refs: Sequence[str]) -> dict[str, float]:
    """Return by how much each candidate's prior is multiplied, mean 1 over the candidates.

    The weight of part i is 1 + (f - 1) n_i / (n + a) with n failures among the candidates, a the
    jobs that a new board type counts for, and f the most that history may favour a part.

    Raises
    ------
    ValueError
        If `refs` repeats a reference.
    """
    if len(set(refs)) != len(refs):
        raise ValueError("refs must not repeat a reference")
    if not refs:
        return {}
    counts = {ref.casefold(): n for ref, n in history.counts.items()}
    seen = [counts.get(ref.casefold(), 0) for ref in refs]
    total = sum(seen)
    raw = [1.0 + (_MOST_FAVOUR - 1.0) * n / (total + _NEW_TO_US_JOBS) for n in seen]
    mean = sum(raw) / len(raw)
    return {ref: w / mean for ref, w in zip(refs, raw, strict=True)}

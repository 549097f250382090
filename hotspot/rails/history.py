"""What earlier boards of the same type say: how often each part was the fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


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

"""How long the evening is: the set with its changeovers against the slot, planned and as it goes.

Pure values; times are seconds, `now_s` and `began_s` seconds since the epoch so that a restart of the
machine does not lose them. A song whose file names no duration counts as nothing and is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from routerd.core.model.set_list import SetList
from routerd.server.http.shapes import Durations, SongFacts


@dataclass(slots=True)
class Pace:
    """When the set began and when the song that is on was entered; None while it has not begun."""

    began_s: float | None = None
    song: str | None = None
    song_s: float = 0.0

    def look(self, song: str | None, transport: str, now_s: float) -> None:
        """Note what a snapshot says: the set begins with the first start of transport."""
        if song != self.song:
            self.song, self.song_s = song, now_s
        if self.began_s is None and transport == "running":
            self.began_s = now_s


def durations_of(
    set_list: SetList, songs: Mapping[str, SongFacts], position: int | None, pace: Pace, now_s: float
) -> Durations:
    """Return the durations of a set; `position` counts from 1, None while a song outside it is on."""
    lengths = [songs[name].duration_s if name in songs else 0 for name in set_list.order]
    total = sum(lengths) + set_list.changeover_s * max(0, len(lengths) - 1)
    encore = sum(lengths[len(lengths) - set_list.encore :]) if set_list.encore else 0
    missing = tuple(dict.fromkeys(n for n, s in zip(set_list.order, lengths, strict=True) if not s))
    elapsed = remaining = over = None
    if pace.began_s is not None and position is not None:
        elapsed = max(0, round(now_s - pace.began_s))
        played = max(0.0, now_s - max(pace.song_s, pace.began_s))
        following = lengths[position:]
        remaining = round(
            max(0.0, lengths[position - 1] - played) + sum(following) + set_list.changeover_s * len(following)
        )
        over = None if not set_list.slot_s else elapsed + remaining - set_list.slot_s
    return Durations(
        set_s=total,
        encore_s=encore,
        slot_s=set_list.slot_s or None,
        planned_over_s=total - set_list.slot_s if set_list.slot_s else None,
        elapsed_s=elapsed,
        remaining_s=remaining,
        over_s=over,
        without_duration=missing,
    )

"""What the tests of the back-test share: small invented seasons."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pytest

from alerts.backtest.seasons import Season
from alerts.domain.records import Index

FIRST_DAY = 740_000

MakeSeason = Callable[..., Season]


@pytest.fixture(scope="session")
def season() -> MakeSeason:
    """A season from rows of (series, day after the first, value) in one index."""

    def make(
        rows: Sequence[tuple[int, int, float]],
        index: Index = Index.NDF,
        *,
        area: str = "Tern Flats",
        cutting: int = 1,
        clock: Sequence[float] | None = None,
        others: Mapping[Index, Sequence[float]] | None = None,
    ) -> Season:
        field, day, value = (np.array(part) for part in zip(*rows, strict=True))
        nothing = np.full(field.size, np.nan)
        values = dict.fromkeys(Index, nothing) | {index: value.astype(np.float64)}
        values |= {each: np.array(given) for each, given in (others or {}).items()}
        return Season(
            area=area,
            cutting=cutting,
            series=tuple(f"field {k}" for k in range(int(field.max()) + 1)),
            grass_pct=np.zeros(int(field.max()) + 1),
            field=field.astype(np.intp),
            day=FIRST_DAY + day.astype(np.intp),
            kind=np.ones(field.size, dtype=np.intp),
            values=values,
            clock=None if clock is None else np.array(clock, dtype=np.float64),
        )

    return make

"""The words of the verdicts: which test a cover fails, by how much, in a few words, a clause or a sentence.

Every page and the terminal take these words, and the county page carries the same catalogue entries for rules that
are tried in the browser. Entries are named after the limit of a test (`geo.rating.TestRow.limits`): a new test needs
a row in the rule table and its words in ``[verdict.*]`` of the catalogue, and no code here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import xarray as xr

from geo.options import COVERS
from geo.rating import TEST_ROWS, TESTS
from pipelines.study.units import Units
from pipelines.study.words import Catalogue


@dataclass(frozen=True, slots=True)
class Verdict:
    """One test of one cover at one place.

    Attributes
    ----------
    cover, test : str
    value, limit : float
        Share of years 0-1, or mm where the name of the limit ends so.
    passed, waived : bool
    share : float
        Of the ground of the place, 0-1, that passes when each soil is judged by itself.
    margin : float
        Share of the limit, above zero passes; NaN where waived.
    """

    cover: str
    test: str
    value: float
    limit: float
    passed: bool
    waived: bool
    share: float
    margin: float


def verdict_rows(verdicts: xr.Dataset, place: int) -> tuple[Verdict, ...]:
    """Return all tests of all covers at a place (position in the first dimension), cover by cover."""
    columns = {name: verdicts[name].values[place] for name in Verdict.__slots__[2:]}
    return tuple(
        Verdict(cover, test, **{name: table[c, t].item() for name, table in columns.items()})
        for c, cover in enumerate(COVERS)
        for t, test in enumerate(TESTS)
    )


def limit_name(cover: str, test: str) -> str:
    """Return the name of the limit of a cover's test, under which its words are found."""
    return TEST_ROWS[TESTS.index(test)].limits[COVERS.index(cover)]


@dataclass(frozen=True)
class VerdictWords:
    """Words of the verdicts of one study.

    Attributes
    ----------
    words : Catalogue
    units : Units
    seasons : int
        Seasons behind each share of years.
    """

    words: Catalogue
    units: Units
    seasons: int

    def short(self, cover: str, test: str) -> str:
        """Return the limiting test in a few words, such as "Water: short years"; "Nothing" for the test ""."""
        return self.words.t(f"verdict.short.{limit_name(cover, test) if test else 'none'}")

    def numbers(self, verdict: Verdict) -> tuple[str, str]:
        """Return value and limit as they are read; a value that misses its limit never looks as if it met it."""
        at_least = TEST_ROWS[TESTS.index(verdict.test)].at_least
        if limit_name(verdict.cover, verdict.test).endswith("_mm"):
            shown, limit = self.units.depth(verdict.value), self.units.depth(verdict.limit)
            value, least = shown.number or 0.0, limit.number or 0.0
            texts = shown.text, limit.text
        else:
            # A limit of 20.3 years takes 21 whole ones; one of at most 5.8 allows 5.
            exact = verdict.limit * self.seasons
            whole = math.ceil(exact - 1e-9) if at_least else math.floor(exact + 1e-9)
            value, least = math.floor(verdict.value * self.seasons + 0.5), whole
            if verdict.passed:
                value = max(value, whole) if at_least else min(value, whole)
            texts = str(value), str(whole)
        if not verdict.passed and (value >= least if at_least else value <= least):
            return self.words.t(f"verdict.{'under' if at_least else 'over'}", limit=texts[1]), texts[1]
        return texts

    def clause(self, verdict: Verdict) -> str:
        """Return what the cover does, without its name and without a full stop."""
        return self._filled("clause", verdict)

    def sentence(self, verdict: Verdict) -> str:
        """Return what the cover does and what the test asks, in full sentences."""
        return self._filled("sentence", verdict)

    def _filled(self, form: str, verdict: Verdict) -> str:
        value, limit = self.numbers(verdict)
        key = f"verdict.{form}.{limit_name(verdict.cover, verdict.test)}"
        option = self.words.t(f"common.option_text.{verdict.cover}")
        return self.words.t(key, option=option, value=value, limit=limit, total=self.seasons)

    def by_cover(self, verdicts: Iterable[Verdict]) -> dict[str, str]:
        """Return for each cover which tests it fails, or that it passes; nothing for ground without values."""
        rows = list(verdicts)
        if any(math.isnan(row.value) for row in rows):
            return {}
        said = {}
        for cover in COVERS:
            failed = [self.clause(row) for row in rows if row.cover == cover and not row.passed]
            said[cover] = "; ".join(failed) or self.words.t("verdict.fits")
        return said

    def parts(self, zone: str, largest_zone: str, largest_ha: float) -> str:
        """Return why the zone of a field differs from that of its largest part; "" where it does not.

        Parameters
        ----------
        zone, largest_zone : str
            Columns of the table of fields.
        largest_ha : float
            Area of the part of the field that has the largest zone when each soil is judged by itself.
        """
        if zone == largest_zone:
            return ""
        whole, part = (self.words.t(f"zones.{name}.label") for name in (zone, largest_zone))
        return self.words.t("verdict.parts", zone=whole, area=self.units.area(largest_ha), part=part)

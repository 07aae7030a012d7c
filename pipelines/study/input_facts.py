"""What is said of an input layer wherever it is shown: title, date, licence, and which of them nobody has stated."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipelines.study.words import Catalogue

UNSTATED = "not stated"
"""The licence in the record of a run when neither the study file nor the layer states one."""


def source_facts(row: Mapping[str, Any], words: Catalogue) -> dict[str, str]:
    """Return what is known of an input layer in words: ``title``, ``date``, ``licence``; what is not known is absent.

    Parameters
    ----------
    row : mapping
        One of ``inputs`` of the record.
    words : Catalogue
    """
    facts = {"title": str(row.get("title") or row.get("path") or "")}
    if row.get("date"):
        key = "source.file_date" if row.get("date_of") == "file" else "source.date"
        facts["date"] = words.t(key, date=row["date"])
    if row.get("licence"):
        stated = row["licence"] != UNSTATED
        facts["licence"] = words.t("source.licence", licence=row["licence"]) if stated else words.t("source.unstated")
    return facts

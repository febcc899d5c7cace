import pytest

from geomcheck.finding import (
    EntryRef,
    Finding,
    PartSummary,
    Quantity,
    Requirement,
    Result,
    Term,
    Verdict,
    Witness,
)

#: A name that would break each format if it were not escaped.
NASTY = "a <b> & \"c\" 'd' ]]> \x07 é {{x}}"


@pytest.fixture
def result():
    """One finding of every verdict, with a nasty name among them."""
    gap = Quantity.from_terms("gap", 6.0, "mm", (Term("facets", 0.02, 0.0, "estimated"),))
    need = Requirement("at least", 10.0, "mm", 'class "body panel"')
    entry = EntryRef("project.toml", 12, 'vehicle "hatch" > part "bonnet"')
    findings = [
        Finding(
            "fit-gap",
            verdict,
            vehicle,
            subject,
            ("housing", "bonnet"),
            "The gap is 6.00 mm.",
            "Lower the boss by 4.02 mm.",
            gap if verdict in (Verdict.FAIL, Verdict.PASS) else None,
            need if verdict in (Verdict.FAIL, Verdict.PASS) else None,
            (Witness("nearest", "housing", (1.0, 2.0, -0.0)),),
            (0.0, 0.0, -1.0),
            entry,
            "Keep clear of hot parts." if verdict is Verdict.FAIL else "",
            details={"state": "apart", "third": 1 / 3, "none": None},
        )
        for vehicle, subject, verdict in [
            ("hatch", "housing / clip", Verdict.ERROR),
            ("hatch", "housing / bonnet", Verdict.FAIL),
            ("hatch", NASTY, Verdict.UNDECIDED),
            ("hatch", "housing / line", Verdict.WAIVED),
            ("van", "housing / belt", Verdict.PASS),
            ("van", "housing / duct", Verdict.NOT_APPLICABLE),
        ]
    ]
    parts = (PartSummary("housing", "housing.stl", "housing", "", "closed", 12, (1.0, 2.0, 3.0)),)
    return Result(
        "Test " + NASTY,
        "project.toml",
        "0.0",
        ("hatch", "van"),
        {"hatch": parts, "van": parts},
        tuple(findings),
    )

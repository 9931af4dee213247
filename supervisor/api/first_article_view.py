"""The first-article form as people see it."""

from typing import Literal

from supervisor.api.schema import Schema, shown_by
from supervisor.report.first_article import FirstArticle


class AccountedView(Schema):
    """A line of form 3; the numbers are those of AS9102 revision B."""

    number: str
    """5, characteristic number."""
    reference_location: Literal[""]
    """6, for a person: the plan does not know the drawing's zones."""
    designator: str
    """7, characteristic designator."""
    requirement: str
    """8."""
    result: str
    """9, in the drawing's unit."""
    conforms: Literal["yes", "no", "not proven"]
    tooling: Literal[""]
    """10, for a person."""
    nonconformance_number: Literal[""]
    """11, for a person."""
    comment: str
    """14 (12 in revision C)."""


class FirstArticleView(Schema):
    """Characteristic accountability (form 3 of AS9102), as far as the record knows it."""

    model_config = shown_by(
        {
            "part_number": "pump-body",
            "part_name": "Pump body",
            "plan_revision": "C",
            "serial": "100017",
            "fair_identifier": "",
            "lines": [
                {
                    "number": "3",
                    "reference_location": "",
                    "designator": "",
                    "requirement": "bore for shaft, diameter: 25 to 25.021 mm",
                    "result": "25.0087 mm",
                    "conforms": "yes",
                    "tooling": "",
                    "nonconformance_number": "",
                    "comment": "conforming; touch-1, run R3120000050, U = 0.002 mm (k = 2)",
                }
            ],
        }
    )

    part_number: str
    """1."""
    part_name: str
    """2."""
    plan_revision: str
    serial: str
    """3."""
    fair_identifier: Literal[""]
    """4, for a person."""
    lines: list[AccountedView]


def first_article_view(form: FirstArticle) -> FirstArticleView:
    """The form."""
    return FirstArticleView(
        part_number=form.part_number,
        part_name=form.part_name,
        plan_revision=form.revision,
        serial=form.serial,
        fair_identifier="",
        lines=[
            AccountedView(
                number=each.number,
                reference_location="",
                designator=each.designator,
                requirement=each.requirement,
                result=each.result,
                conforms=each.conforms,
                tooling="",
                nonconformance_number="",
                comment=each.comment,
            )
            for each in form.lines
        ],
    )

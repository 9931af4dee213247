"""The first-article form as people see it."""

from collections.abc import Sequence
from typing import Literal

from supervisor.api.schema import Schema, shown_by
from supervisor.report.first_article import FirstArticle
from supervisor.report.first_article_forms import FormField


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


class FormFieldView(Schema):
    """A field of form 1 or 2."""

    number: str
    """As in AS9102 revision B."""
    name: str
    content: str
    """"" where a person has to fill it in."""


class FirstArticleView(Schema):
    """The forms of AS9102 as far as the record knows them: characteristic accountability (form 3), and the fields of forms 1 and 2."""

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
            "form_1": [{"number": "7", "name": "drawing revision level", "content": "C"}],
            "form_2": [{"number": "6", "name": "specification number", "content": ""}],
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
    form_1: list[FormFieldView]
    """Part number accountability. Signatures are those of this revision of the record, names as stated."""
    form_2: list[FormFieldView]
    """Materials, special processes, functional tests: for a person."""


def _field_views(fields: Sequence[FormField]) -> list[FormFieldView]:
    return [FormFieldView(number=f.number, name=f.name, content=f.content) for f in fields]


def first_article_view(
    form: FirstArticle, one: Sequence[FormField], two: Sequence[FormField]
) -> FirstArticleView:
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
        form_1=_field_views(one),
        form_2=_field_views(two),
    )

"""Each shipped profile answers each rule of the quality scale, and what it says is done is shown by a test that is there."""

import re

import pytest
from pydantic import ValidationError

from supervisor.cell.profile_quality import RULES, Quality, quality_file, quality_of, rules_for
from supervisor.cell.shipped import shipped_names, shipped_profile
from supervisor.stations.profile_pages import pages


@pytest.mark.parametrize("name", shipped_names())
def test_every_rule_of_its_kind_is_answered_and_no_other(name):
    quality = quality_of(name)
    asked = [rule.name for rule in rules_for(shipped_profile(name).kind)]
    assert quality.profile == name
    assert sorted(quality.answers) == sorted(asked)


@pytest.mark.parametrize("name", shipped_names())
def test_every_test_that_an_answer_names_is_there(name, repository):
    for rule, answer in quality_of(name).answers.items():
        for shown in answer.by:
            path, _, test = shown.partition("::")
            source = (repository / path).read_text(encoding="utf-8")
            assert re.search(rf"^(async )?def {re.escape(test)}\(", source, re.MULTILINE), (
                f"{name}, {rule}: {shown} is not there"
            )


def test_no_answers_are_left_of_a_profile_that_is_gone():
    kept = {path.stem for path in quality_file("any").parent.glob("*")}
    assert kept == set(shipped_names())


def test_the_pages_are_current(repository):
    stale = [
        path.name
        for path, text in pages(repository / "docs/reference").items()
        if path.read_text(encoding="utf-8") != text
    ]
    assert stale == [], "run: python -m supervisor.stations.profile_pages"


@pytest.mark.parametrize("name", shipped_names())
def test_a_page_says_what_it_needs_discovers_and_cannot_do(name, repository):
    page = (repository / f"docs/reference/profile-{name}.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (.+)$", page, re.MULTILINE)
    wanted = ["What it needs", "What it discovers", "What it cannot do", "How good it is"]
    assert [heading for heading in headings if heading in wanted] == wanted
    assert page.count(": printed by") == 3


def test_rules_have_names_of_their_own_and_ask_somebody():
    assert len({rule.name for rule in RULES}) == len(RULES)
    assert all(rule.kinds and rule.holds.endswith(".") for rule in RULES)


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        ({"done": []}, "names a test"),
        ({"open": "soon"}, "says why"),
        ({"exempt": ""}, "says why"),
        ({"done": "tests/a.py::test_a", "open": "a reason that is long"}, "expected one of"),
        ({"perhaps": "a reason that is long"}, "expected one of"),
        ("done", "valid dictionary"),
    ],
)
def test_an_answer_without_ground_is_refused(answer, says):
    with pytest.raises(ValidationError, match=says):
        Quality.model_validate({"profile": "any", "answers": {"aborts": answer}})

"""The pages about profiles are the code's own account of itself, and their examples work."""

import json
import re

import pytest
from jsonschema_rs import Draft202012Validator
from pydantic import BaseModel
from ruamel.yaml import YAML

from supervisor.cell import profile_language as language
from supervisor.cell.folder import read_folder
from supervisor.cell.profile import profile_problems, read_profile, shipped_profiles
from supervisor.cell.profile_reference import SECTIONS, profile_page
from supervisor.cell.profile_schema import profile_schema, schema_text
from supervisor.cell.reading import read_table
from supervisor.cell.shipped import shipped_table


def test_the_committed_reference_is_current(repository):
    page = (repository / "docs/reference/profile-language.md").read_text(encoding="utf-8")
    assert page == profile_page(), (
        "run: python -m supervisor.cell.profile_reference > docs/reference/profile-language.md"
    )


def test_the_committed_schema_is_current(repository):
    committed = (repository / "docs/reference/profile.schema.json").read_text(encoding="utf-8")
    assert committed == schema_text(), (
        "run: python -m supervisor.cell.profile_schema > docs/reference/profile.schema.json"
    )


@pytest.fixture(scope="module")
def complaints():
    """What the schema, as it is published, has against a content."""
    schema = profile_schema()
    validator = Draft202012Validator(schema)  # raises for a schema that is none

    def against(content):
        plain = json.loads(json.dumps(content))
        return [error.message for error in validator.iter_errors(plain)]

    return against


STRANGE = ("strange.yaml", "strange_station.yaml")


def profile_files(repository):
    tests = repository / "tests/integration/stations"
    return [*shipped_profiles().glob("*.yaml"), *(tests / name for name in STRANGE)]


def test_the_schema_takes_every_shipped_profile_and_those_of_the_strange_stations(
    repository, complaints
):
    for path in profile_files(repository):
        table, _ = read_table(path, path.name)
        assert complaints(table) == [], path.name


def test_the_schema_takes_a_profile_that_states_only_what_differs(complaints):
    content = {"profile": "ours", "extends": "ct-pulse", "orders": {"abort": "not supported"}}
    assert complaints(content) == []
    assert complaints({**content, "orders": {"abort": "maybe"}})
    assert complaints({key: content[key] for key in ("profile", "orders")})


@pytest.mark.parametrize(
    ("path", "new"),
    [
        (("colour",), "red"),
        (("facets", "mode", "texts", "AUTO"), "auto"),
        (("facets", "door", "settle_ms"), "long"),
        (("orders", "abort"), {"by": "mail"}),
        (("orders", "start", "limit_s"), ...),
        (("results", "form"), "xml"),
        (("nodes", "mode", "type"), 7),
    ],
)
def test_the_schema_refuses_what_the_language_refuses(complaints, path, new):
    content = json.loads(json.dumps(read_table(shipped_profiles() / "scan-methods.yaml", "s")[0]))
    *way, last = path
    here = content
    for step in way:
        here = here[step]
    if new is ...:
        del here[last]
    else:
        here[last] = new
    assert complaints(content)


def test_the_reference_has_every_mapping_of_the_language_and_says_what_each_key_means():
    printed = {model for _, models in SECTIONS for model in models}
    of_the_language = {
        model
        for model in vars(language).values()
        if isinstance(model, type)
        and issubclass(model, BaseModel)
        and model.__module__.startswith("supervisor.cell.profile_")
    }
    left_out = {
        language.Part,
        language.Profile,
        language.Rows,
        language.Fetched,
        language._Kind,
        language.Echo,
    }
    assert of_the_language - left_out == printed
    for model in printed:
        assert all(field.description for field in model.model_fields.values()), model


def test_the_reference_names_every_shipped_profile():
    page = profile_page()
    assert all(f"| `{path.stem}` |" in page for path in shipped_profiles().glob("*.yaml"))


def test_the_example_of_the_guide_is_a_sound_profile(repository):
    guide = (repository / "docs/how-to/write-a-profile.md").read_text(encoding="utf-8")
    blocks = step_blocks(guide)
    profile = read_profile(merged(blocks))
    assert profile_problems(profile) == []
    assert len(blocks) == 6


def yaml_blocks(page):
    return re.findall(r"^ *```yaml\n(.*?)^ *```$", page, re.MULTILINE | re.DOTALL)


def step_blocks(page):
    """The blocks inside numbered steps: together they are one profile."""
    return re.findall(r"^ +```yaml\n(.*?)^ +```$", page, re.MULTILINE | re.DOTALL)


def merged(blocks):
    content = {}
    for block in blocks:
        content |= YAML(typ="safe").load(block)
    return content


def test_the_example_of_each_page_is_a_sound_profile_of_a_site(repository, tmp_path):
    (tmp_path / "profiles").mkdir()
    names = []
    for page in sorted((repository / "docs/reference").glob("profile-*.md")):
        for block in yaml_blocks(page.read_text(encoding="utf-8")):
            names.append(YAML(typ="safe").load(block)["profile"])
            (tmp_path / f"profiles/{names[-1]}.yaml").write_text(block, encoding="utf-8")
    declaration, problems = read_folder(tmp_path, "2026-01-01")
    assert [str(one) for one in problems if one.file.startswith(("profiles", "(shipped)"))] == []
    assert {"our-tactile", "our-camera"} <= set(names) <= set(declaration.profiles)


def test_the_guide_to_events_goes_on_with_that_profile_and_stays_sound(repository):
    guides = [repository / f"docs/how-to/{name}.md" for name in ("write-a-profile", "read-events")]
    first, second = [step_blocks(guide.read_text(encoding="utf-8")) for guide in guides]
    content = merged(first)
    event = "".join(second[:3]).replace("\n   ", "\n").removeprefix("   ")
    for more in (YAML(typ="safe").load(event), merged(second[3:])):
        for section, entries in more.items():
            content[section] = {**content.get(section, {}), **entries}
    profile = read_profile(content)
    assert profile_problems(profile) == []
    assert list(profile.events) == ["verdict", "warm", "warm_no_more"]
    assert profile.facets.door.node == "bits"


def test_the_example_of_the_guide_that_extends_another_is_taken(repository, complaints):
    guide = (repository / "docs/how-to/write-a-profile.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"^```yaml\n(.*?)^```$", guide, re.MULTILINE | re.DOTALL)
    stated = YAML(typ="safe").load(block)
    assert complaints(stated) == []
    whole = json.loads(json.dumps(shipped_table(stated.pop("extends"))))
    for section, entries in stated.items():
        whole[section] = whole[section] | entries if isinstance(entries, dict) else entries
    assert profile_problems(read_profile(whole)) == []

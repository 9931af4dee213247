"""The pages about profiles are the code's own account of itself, and their examples work."""

import re

from pydantic import BaseModel
from ruamel.yaml import YAML

from supervisor.cell import profile_language as language
from supervisor.cell.profile import profile_problems, read_profile, shipped_profiles
from supervisor.cell.profile_reference import SECTIONS, profile_page


def test_the_committed_reference_is_current(repository):
    page = (repository / "docs/reference/profile-language.md").read_text(encoding="utf-8")
    assert page == profile_page(), (
        "run: python -m supervisor.cell.profile_reference > docs/reference/profile-language.md"
    )


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
    assert all(f"| `{path.stem}` |" in profile_page() for path in shipped_profiles().glob("*.yaml"))


def test_the_example_of_the_guide_is_a_sound_profile(repository):
    guide = (repository / "docs/how-to/write-a-profile.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^ *```yaml\n(.*?)^ *```$", guide, re.MULTILINE | re.DOTALL)
    content = {}
    for block in blocks:
        content |= YAML(typ="safe").load(block)
    profile = read_profile(content)
    assert profile_problems(profile) == []
    assert len(blocks) == 6

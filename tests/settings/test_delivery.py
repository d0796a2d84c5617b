"""Contact and date of a delivery, as settings files state them."""

import tomllib

import pytest

from sitefinder.errors import ConfigError
from sitefinder.settings.loading import checked
from sitefinder.settings.run import DeliverySettings


def read(toml):
    return checked(DeliverySettings, tomllib.loads(toml), "run.toml")


def test_contact_and_date_are_absent_unless_stated():
    settings = read("")

    assert (settings.contact, settings.date) == (None, None)


@pytest.mark.parametrize("date", ['"2024-02-29"', "2024-02-29"])
def test_a_date_may_be_text_or_a_date_of_toml(date):
    assert read(f"date = {date}").date == "2024-02-29"


@pytest.mark.parametrize(
    "date", ['"2023-02-29"', '"29.2.2024"', '"2024-2-9"', '"0000-01-01"', "2024-02-29T10:00:00", '""']
)
def test_what_is_no_date_is_refused_with_an_example(date):
    with pytest.raises(ConfigError, match="date: expected a date, year, month and day, such as 2026-05-31"):
        read(f"date = {date}")


@pytest.mark.parametrize(
    ("contact", "message"),
    [
        ("{ email = 'office@example.org' }", "contact: state name, organisation or both"),
        ("{ name = 'A. Example', email = 'office' }", "contact.email: expected an address such as"),
        ("{ name = '' }", "contact.name: "),
        (
            "{ organization = 'Example Office' }",
            "contact.organization: no such setting; did you mean organisation?",
        ),
    ],
)
def test_a_contact_that_names_nobody_or_cannot_be_written_to_is_refused(contact, message):
    with pytest.raises(ConfigError) as caught:
        read(f"contact = {contact}")

    assert message in str(caught.value)

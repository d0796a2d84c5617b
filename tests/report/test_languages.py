"""Languages of a delivery: each catalogue is whole, and numbers, dates and texts of the user's come out right."""

import re
import subprocess
import sys
from importlib.resources import files

import geopandas
import pandas as pd
import pytest
import shapely
from babel.dates import format_date
from babel.numbers import format_decimal
from messages import messages, translations

from sitefinder.delivery.graph import FIGURES, FILE_STAGES, STAGES, SUMMARY
from sitefinder.errors import ConfigError
from sitefinder.report.languages import current, day, numeral, plural, said_in, say, say_as, speaking, texts_of
from sitefinder.report.page.sites import stream_name
from sitefinder.report.stream_names import stream_names
from sitefinder.report.table_texts import TABLE_TEXTS, from_table, source_text
from sitefinder.report.templates import environment
from sitefinder.settings.choices import LANGUAGES
from sitefinder.settings.loading import checked
from sitefinder.settings.run import DeliverySettings

OTHERS = [tag for tag in LANGUAGES if tag != "en"]


@pytest.mark.parametrize("tag", OTHERS)
def test_a_catalogue_has_a_translation_of_every_text_and_no_text_that_nothing_shows(tag):
    shown, translated = set(messages()), translations(tag)

    assert len(shown) > 1000
    assert [each for each in shown if each not in translated] == []
    assert [each for each in translated if each not in shown] == []
    assert [each for each, strings in translated.items() if not all(strings)] == []


@pytest.mark.parametrize("tag", OTHERS)
def test_a_translation_has_the_placeholders_and_the_spaces_of_its_text(tag):
    for message, strings in translations(tag).items():
        english = [message.text, message.plural] if message.plural else [message.text]
        assert len(strings) == len(english), message
        for text, string in zip(english, strings, strict=True):
            assert set(re.findall(r"\{[^}]*\}", string)) == set(re.findall(r"\{[^}]*\}", text)), message
            # Texts that are put between others begin and end as these need it.
            assert (string[:1] == " ", string[-1:] == " ") == (text[:1] == " ", text[-1:] == " "), message


def test_the_languages_of_the_settings_are_those_that_have_a_catalogue():
    names = [file.name for file in files("sitefinder.report.languages").iterdir()]

    assert LANGUAGES[0] == "en"
    assert sorted(name.removesuffix(".po") for name in names if name.endswith(".po")) == sorted(OTHERS)


def test_an_unknown_language_is_refused_with_those_that_there_are():
    with pytest.raises(ConfigError, match=r"language: input should be 'en' or 'de' \(found 'fr'\)"):
        checked(DeliverySettings, {"language": "fr"}, "run.toml")

    assert checked(DeliverySettings, {}, "run.toml").language == "en"


def test_only_texts_depend_on_the_language():
    own = [
        stage.name for stage in FILE_STAGES.values() if "delivery.language" in stage.depends_on.get("settings", ())
    ]

    assert own == ["page", "field_sheets", "district_map"]
    assert "delivery.language" in SUMMARY.depends_on["settings"]
    others = [FIGURES, *STAGES]
    assert not [stage.name for stage in others if "delivery.language" in stage.depends_on.get("settings", ())]


@pytest.mark.parametrize("value", [0.0, -0.05, 1.5, 12.25, 999.5, 1000.0, 1234.5, 987_654.321, -1_234_567.0])
@pytest.mark.parametrize("tag", LANGUAGES)
def test_numbers_have_the_signs_that_the_unicode_locale_data_give(tag, value):
    # Babel rounds and groups by itself, from the pattern; three decimals are exact for these values.
    with speaking(tag):
        assert numeral(f"{value:,.3f}") == format_decimal(value, "#,##0.000", locale=tag)


def test_days_are_written_as_the_language_does_and_other_texts_stay():
    with speaking("de"):
        assert day("2026-05-31") == "31.05.2026"
        assert [day(text) for text in ("", "2021", "May 2021", "not stated")] == [
            "",
            "2021",
            "May 2021",
            "not stated",
        ]
        assert current().months[2] == format_date(pd.Timestamp("2026-03-01"), "LLLL", locale="de") == "März"
    assert day("2026-05-31") == "2026-05-31"


def test_the_language_ends_with_its_block_whatever_happens_in_it():
    def fail():
        with speaking("de"):
            raise RuntimeError(say("none"))

    with pytest.raises(RuntimeError, match="keine"):
        fail()
    assert say("none") == "none"
    assert plural("{number} site", "{number} sites", 1) == "1 site"


def test_one_word_may_have_two_translations_and_a_number_its_own():
    with speaking("de"):
        assert (say("step"), say_as("structure", "step")) == ("Schritt", "Stufe")
        assert plural("{number} site", "{number} sites", 1) == "1 Standort"
        assert plural("{number} site", "{number} sites", 0) == "0 Standorte"


@pytest.mark.parametrize("name", ["open", "none", "Site", "Gross head", "left", "stream without a name"])
def test_a_name_that_the_user_gives_is_not_translated(name):
    reaches = geopandas.GeoDataFrame(
        {"reach_id": ["R1", "R2"], "stream": [name, ""], "length_m": [1500.0, 500.0]},
        geometry=[shapely.LineString([(0, 10), (0, 0)]), shapely.LineString([(0, 20), (0, 10)])],
        crs="EPSG:32633",
    )
    with speaking("de"):
        assert stream_name(name) == name
        called = stream_names(reaches, ["R1", "R2"])

    assert called == {"R1": name, "R2": f"Zufluss von {name} bei km 1,5"}


def test_what_stages_write_into_tables_is_translated_and_what_users_write_is_not():
    with speaking("de"):
        assert from_table("fish pass; agreement with its use (mill); new weir of 1.5 m") == (
            "Fischaufstiegsanlage; Einigung mit der Nutzung (mill); neues Wehr von 1,5 m"
        )
        assert from_table("implausible gauge: runoff of 1,740 mm a year; expected 13.9 to 1,530 mm") == (
            "unplausibler Pegel: Abflusshöhe von 1.740 mm im Jahr; erwartet 13,9 bis 1.530 mm"
        )
        assert from_table("a letter of the water board, 3.5 pages") == "a letter of the water board, 3.5 pages"
        assert source_text("gauge A.1 80 %; equation (17)") == "Pegel A.1 80 %; regionale Regression (17)"
    for text in TABLE_TEXTS:
        assert from_table(text) == text


def test_templates_and_scripts_get_their_texts_escaped_and_none_in_english():
    template = environment("sitefinder.report").from_string(
        '<b title="{{ say("none") }}">{{ say("{a} of", a="<i>") }}</b>'
    )
    script = r'say("flow"); say("no \"such\" text", { at }); other("flow")'

    assert template.render() == '<b title="none">&lt;i&gt; of</b>'
    assert said_in(script) == ("flow", 'no "such" text')
    assert texts_of(script) == {}
    with speaking("de"):
        assert template.render() == '<b title="keine">&lt;i&gt; of</b>'
        assert texts_of(script) == {"texts": {"flow": "Abfluss", 'no "such" text': 'no "such" text'}}


def test_english_starts_without_the_libraries_of_other_languages():
    code = (
        "import sys; import sitefinder.delivery.page, sitefinder.delivery.sheets, sitefinder.delivery.summary\n"
        "from sitefinder.report.languages import say, numeral, day\n"
        "assert (say('none'), numeral('1.5'), day('2026-05-31')) == ('none', '1.5', '2026-05-31')\n"
        "assert not [name for name in sys.modules if name.partition('.')[0] == 'babel']"
    )

    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (ended.returncode, ended.stderr) == (0, "")

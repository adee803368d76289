import json
import shlex
from datetime import date

from demo_fleet.curls import curl_commands
from fleetdb.records.documents import Kind
from fleetdb.records.parsing import parse_document

COMMANDS = [
    command
    for _, command in curl_commands(
        "http://127.0.0.1:8000", "flt_secret", "LM-0007", "reed-1600", date(2026, 6, 30)
    )
]


def test_there_are_three_and_each_is_one_line_with_the_token():
    assert len(COMMANDS) == 3
    for command in COMMANDS:
        words = shlex.split(command)
        assert words[0] == "curl"
        assert "Authorization: Bearer flt_secret" in words
        assert "\n" not in command


def test_the_record_posted_is_a_document_of_the_contract():
    words = shlex.split(COMMANDS[2])
    record = parse_document(Kind.TEST_RECORDS, words[words.index("-d") + 1])
    assert record.model_dump()["vehicle"] == "LM-0007"
    assert json.loads(words[words.index("-d") + 1])["proof"]["target_bar"] == 700

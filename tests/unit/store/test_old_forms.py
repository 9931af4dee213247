"""What an older version wrote is read today: entries and records of schema 1, which said less of each value, of
schema 2, whose answers had no reason, of schema 3, whose values named no check, and of later ones, whose results said less."""

import json
from decimal import Decimal

from supervisor.core.events import HoldReleased
from supervisor.store.codec import decode_entry, decode_record, encode_record
from supervisor.verdict.record import Evidence, Finding, Record

# Written by the version before schema 2, then shortened to one characteristic.
OLD_EVIDENCE = (
    '{"value":20.0105,"unit":"mm","quality":"good","expanded_u":"0.003","k":"2","station":"touch-1","program":"accurate",'
    '"program_revision":"7","run_id":"R1","result_id":"touch-1/1","measured_ms":5000}'
)
OLD_RECORD = (
    '{"serial":"6789","part_type":"pump-body","plan_revision":"A","batch":"B-1","produced":"","pallet":"grai:1","declaration":"ab12",'
    '"rule":"ISO 14253-1:2017, guard factor 1.65","revision":1,"entered_ms":1000,"decided_ms":9000,"verdict":"conforming",'
    '"why":"all 1 mandatory characteristics conform","findings":[{"number":"1","name":"bore","kind":"diameter","unit":"mm",'
    '"nominal":"20","lower":"20.000","upper":"20.021","accept_lower":"20.002475","accept_upper":"20.018525","need":"mandatory",'
    f'"verdict":"conforming","why":"","decided_by":{OLD_EVIDENCE},"monitored_by":[]}}]}}'
)
OLD_ENTRY = f'{{"event":["TimerFired",{{"timer":"a"}}],"commands":[["StoreRecord",{{"record":{OLD_RECORD}}}]]}}'


def the_evidence(record: Record) -> Evidence:
    evidence = record.findings[0].decided_by
    assert evidence is not None
    return evidence


def test_an_old_record_keeps_what_it_says_and_says_nothing_new():
    record = decode_record(OLD_RECORD)

    finding: Finding = record.findings[0]
    assert (finding.upper, finding.conformance_probability, finding.guard_factor) == (
        Decimal("20.021"),
        None,
        None,
    )
    evidence = the_evidence(record)
    assert (evidence.value, evidence.raw, evidence.standard_u) == (20.0105, None, None)
    assert (evidence.station_serial, evidence.corrections, evidence.flaw) == ("", (), "")
    assert evidence.last_check is None


def test_an_entry_of_schema_1_is_lifted_with_its_record():
    entry = decode_entry(1, 0, 1, "TimerFired", OLD_ENTRY)

    assert [command.record for command in entry.commands] == [decode_record(OLD_RECORD)]


def test_a_result_of_schema_4_does_not_say_when_it_was_made():
    body = (
        '{"event":["ResultArrived",{"station":"ct-1","source_ms":5,"boot":"1","result_id":"ct-1/1/1","run_id":"R5",'
        '"serial":"","counter":1,"scope":"final","values":[],"part_c":null,"compensated":"unknown"}],"commands":[]}'
    )

    assert decode_entry(1, 0, 4, "ResultArrived", body).event.created_ms == -1


def test_a_result_of_schema_5_does_not_say_that_it_names_its_run_itself():
    body = (
        '{"event":["ResultArrived",{"station":"ct-1","source_ms":5,"boot":"1","result_id":"ct-1/1/1","run_id":"R5",'
        '"serial":"","counter":1,"scope":"final","values":[],"part_c":null,"compensated":"unknown","created_ms":4}],"commands":[]}'
    )

    assert decode_entry(1, 0, 5, "ResultArrived", body).event.run_said_by == ""


def test_an_entry_of_schema_3_names_no_check():
    entry = decode_entry(1, 0, 3, "TimerFired", OLD_ENTRY)

    (kept,) = entry.commands
    assert the_evidence(kept.record).last_check is None


def test_the_old_and_the_present_text_of_a_record_are_one_record():
    record = decode_record(OLD_RECORD)

    present = encode_record(record)
    assert decode_record(present) == record
    assert (
        json.loads(OLD_RECORD).items()
        <= {
            **json.loads(present),
            "findings": json.loads(OLD_RECORD)["findings"],
        }.items()
    )


def test_an_answer_of_schema_2_had_no_reason():
    body = '{"event":["HoldReleased",{"hold":"hold-1","answer":"clear","by":"M. Weaver","place":""}],"commands":[]}'

    entry = decode_entry(1, 0, 2, "HoldReleased", body)

    assert entry.event == HoldReleased(hold="hold-1", answer="clear", by="M. Weaver", place="")
    assert entry.event.why == ""

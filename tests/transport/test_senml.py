"""SenML: the RFC's examples resolve as it says, what we write comes back, rubbish is refused in one line."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loadbook.reading import QUANTITIES, Reading
from loadbook.transport.packs import Entry, Pack, Step, Unreadable, decode, decode_latest, encode, encode_latest
from loadbook.transport.senml import SenmlError, parse

T0 = 1_790_000_000_000

# RFC 8428, section 5.1.2: the first as in ex2.json of core-wg/senml-spec, the second from memory.
TWO_POINTS = """[ {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
 {"n":"current","u":"A","v":1.2} ]"""
SEVERAL = """[ {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09, "bu":"A","bver":5,
  "n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","v":1.7} ]"""


def test_the_rfc_example_of_two_points():
    voltage, current = parse(TWO_POINTS)
    assert (voltage.name, voltage.unit, voltage.value) == ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1)
    assert (current.name, current.unit, current.value) == ("urn:dev:ow:10e2073a01080063:current", "A", 1.2)
    assert voltage.at_s == 0.0


def test_the_rfc_example_of_several_points():
    records = parse(SEVERAL)
    assert [r.unit for r in records] == ["V", "A", "A", "A"]
    # RFC 8428, section 4.6: a resolved time is the base time plus the record's own.
    assert [r.at_s for r in records] == pytest.approx(
        [1.276020076001e09, 1.276020071001e09, 1.276020072001e09, 1.276020076001e09]
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no JSON"),
        ("{}", "list of objects"),
        ("[]", "list of objects"),
        ("[1]", "list of objects"),
        ('[{"bn":"a","v":NaN}]', "cannot hold NaN"),
        ('[{"n":"a","v":"1"}]', "must be a number"),
        ('[{"n":"a","v":true}]', "must be a number"),
        ('[{"n":"a","v":1,"vs":"x"}]', "two values"),
        ('[{"n":"a"}]', "has no value"),
        ('[{"n":"-a","v":1}]', "characters that are not allowed"),
        ('[{"n":"a","v":1,"must_":1}]', "must be understood"),
        ('[{"bver":11,"n":"a","v":1}]', "newer than 10"),
        ("[" * 3000, "no JSON"),
    ],
)
def test_what_is_no_pack_is_refused_in_one_line(text, says):
    with pytest.raises(SenmlError, match=says) as bad:
        parse(text)
    assert "\n" not in str(bad.value)


def test_base_values_and_sums():
    first, second = parse('[{"bn":"a/","bv":10,"n":"x","v":1},{"n":"y"}]')
    assert (first.value, second.value) == (11.0, 10.0)
    assert parse('[{"n":"x","bs":100,"s":5}]')[0].sum == 105.0


VALUES = {
    q.name: st.none() | st.floats(-1e6, 1e9, allow_nan=False).map(lambda v, d=q.decimals: round(v, d))
    for q in QUANTITIES
}
WHAT = (
    st.builds(Reading, at_ms=st.just(T0), **VALUES)
    | st.sampled_from(["no_answer", "crc"])
    | st.builds(Step, from_ms=st.integers(T0 - 10**9, T0), by_ms=st.integers(-(10**11), 10**11))
)


@st.composite
def packs(draw) -> Pack:
    first, at_ms, entries = draw(st.integers(1, 10**9)), T0, []
    for i, what in enumerate(draw(st.lists(WHAT, min_size=1, max_size=6))):
        at_ms += draw(st.integers(0, 100_000))
        moved = (
            Reading(at_ms, **{q.name: getattr(what, q.name) for q in QUANTITIES}) if isinstance(what, Reading) else what
        )
        entries.append(Entry(first + i, at_ms, moved))
    holds = frozenset(draw(st.sets(st.sampled_from(["ab12cd34", "0f", "99"]))))
    oldest = draw(st.integers(0, first))
    return Pack("quay-m1", "ab12cd34", oldest, tuple(entries), draw(st.booleans()), "boot", 123456, holds)


def same(a: Entry, b: Entry) -> bool:
    if not isinstance(a.what, Reading) or not isinstance(b.what, Reading):
        return a == b
    pairs = [(getattr(a.what, q.name), getattr(b.what, q.name), q.decimals) for q in QUANTITIES]
    return (a.sequence, a.at_ms, b.what.at_ms) == (b.sequence, b.at_ms, a.what.at_ms) and all(
        x is y is None or (x is not None and y is not None and abs(x - y) <= 10.0**-d / 2) for x, y, d in pairs
    )


@given(pack=packs())
@settings(max_examples=150, deadline=None)
def test_a_pack_comes_back(pack):
    text = encode("quay-street", pack)
    parse(text)
    back = decode("quay-street", text)
    assert (back.meter, back.session, back.oldest, back.clock_set, back.boot, back.uptime_ms, back.holds) == (
        pack.meter, pack.session, pack.oldest, pack.clock_set, pack.boot, pack.uptime_ms, pack.holds
    )  # fmt: skip
    assert len(back.entries) == len(pack.entries)
    assert all(same(a, b) for a, b in zip(back.entries, pack.entries, strict=True))


@given(reading=st.builds(Reading, at_ms=st.integers(T0, T0 + 10**9), **VALUES))
@settings(max_examples=60, deadline=None)
def test_the_latest_reading_comes_back(reading):
    meter, back = decode_latest("quay-street", encode_latest("quay-street", "m1", reading))
    assert meter == "m1"
    assert same(Entry(1, reading.at_ms, reading), Entry(1, back.at_ms, back))


def test_energy_travels_in_joules():
    # 1 Wh is 3600 J; Wh is a secondary unit that a plain pack should not hold (RFC 8798, section 3).
    text = encode_latest("q", "m1", Reading(T0, energy_wh=1.5))
    (record,) = parse(text)
    assert (record.name, record.unit, record.value) == ("loadbook/q/m1/energy", "J", 5400.0)


@given(pack=packs(), data=st.data())
@settings(max_examples=200, deadline=None)
def test_a_damaged_pack_gives_a_refusal_and_nothing_else(pack, data):
    text = bytearray(encode("quay-street", pack).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()):
        del text[data.draw(st.integers(0, len(text))) :]
    try:
        decode("quay-street", bytes(text))
    except SenmlError as bad:
        assert "\n" not in str(bad)


@given(
    data=st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(["bn", "bt", "n", "v", "vs", "t", "u", "x_", "s", "bver"]), inner)
        ),
        max_leaves=12,
    )
)
@settings(max_examples=200, deadline=None)
def test_any_json_gives_records_or_a_refusal(data):
    try:
        parse(json.dumps([data]))
        decode("quay-street", json.dumps([data]))
    except SenmlError:
        pass


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: r[0].update(bn="loadbook/other/m1/"), "is not loadbook/quay-street"),
        (lambda r: r.__delitem__(slice(3, None)), "no sequence"),
        (lambda r: r[3].update(v=1.5), "whole number"),
        (lambda r: r[3].update(v="7"), "must be a number"),
        (lambda r: r[0].update(vs=7), "wrong type"),
        (lambda r: r[1].update(v=99), "before its oldest"),
    ],
)
def test_a_pack_that_makes_no_sense(change, says):
    records = json.loads(encode("quay-street", Pack("m1", "s", 7, (Entry(7, T0, Reading(T0, power_w=5.0)),))))
    change(records)
    with pytest.raises(SenmlError, match=says):
        decode("quay-street", json.dumps(records))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: r["power"].update(u="kW"), "must be a number in W"),
        (lambda r: r["power"].update(v=float("nan")), "cannot hold NaN"),
        (lambda r: r["power"].update(v=1e30), "cannot be"),
        (lambda r: r["power"].update(v="5"), "must be a number"),
        (lambda r: r["power"].pop("v"), "has no value"),
        (lambda r: r["sequence"].update(t=-(10**10)), "not one a reading can have"),
    ],
)
def test_an_entry_that_makes_no_sense_does_not_take_the_others_with_it(change, says):
    entries = tuple(Entry(7 + i, T0 + 1000 * i, Reading(T0 + 1000 * i, power_w=5.0 + i)) for i in range(3))
    records = json.loads(encode("quay-street", Pack("m1", "s", 7, entries)))
    second = [i for i, r in enumerate(records) if r["n"] == "sequence"][1]
    change({r["n"]: r for r in records[second : second + 2]})
    pack = decode("quay-street", json.dumps(records))
    assert (pack.entries[0], pack.entries[2]) == (entries[0], entries[2])
    assert pack.entries[1].sequence == 8
    assert isinstance(pack.entries[1].what, Unreadable)
    assert says in pack.entries[1].what.why

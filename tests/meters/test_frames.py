"""Modbus frames against published bytes, and damaged ones."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.meters.frames import Question, crc, whole


def test_checksums_of_the_specification() -> None:
    """02 07 -> 41 12: Modbus over Serial Line V1.02, appendix B (from memory, recalculated). 123456789 -> 4B37: the
    catalogue of CRC algorithms, CRC-16/MODBUS."""
    assert crc(bytes.fromhex("02 07")) == bytes.fromhex("41 12")
    assert crc(b"123456789") == (0x4B37).to_bytes(2, "little")


@pytest.mark.parametrize(
    ("question", "frame"),
    [
        (Question(0x11, 3, 0x6B, 3), "11 03 00 6B 00 03 76 87"),
        (Question(0x01, 3, 0x6B, 3), "01 03 00 6B 00 03 74 17"),
        (Question(0x01, 4, 0x08, 1), "01 04 00 08 00 01 B0 08"),
        (Question(0x11, 4, 0x08, 1), "11 04 00 08 00 01 B2 98"),
    ],
)
def test_questions_are_those_of_the_specification(question: Question, frame: str) -> None:
    """The examples of Modbus Application Protocol V1.1b3, 6.3 and 6.4, framed for units 1 and 17."""
    assert question.frame() == bytes.fromhex(frame)


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        (Question(0x11, 3, 0x6B, 3), "11 03 06 02 2B 00 00 00 64 C8 BA"),
        (Question(0x01, 3, 0x6B, 3), "01 03 06 02 2B 00 00 00 64 05 7A"),
        (Question(0x01, 4, 0x08, 1), "01 04 02 00 0A 39 37"),
        (Question(0x11, 3, 0x6B, 3), "11 83 02 C1 34"),
        (Question(0x01, 3, 0x6B, 3), "01 83 02 C0 F1"),
    ],
)
def test_answers_of_the_specification_are_found_wherever_they_stand(question: Question, answer: str) -> None:
    """Same source; the refusals are its chapter 7."""
    frame = bytes.fromhex(answer)
    assert question.answer_in(frame) == frame
    assert question.answer_in(b"\x00\xff\x11" + frame + b"\x03") == frame
    for cut in range(len(frame)):
        assert question.answer_in(frame[:cut]) is None


ASKED = Question(1, 4, 0, 4)
ANSWER = bytes.fromhex("01 04 08 43 66 00 00 42 48 00 00")
ANSWER += crc(ANSWER)


@given(st.integers(0, len(ANSWER) * 8 - 1))
def test_no_flipped_bit_gets_through(bit: int) -> None:
    damaged = bytearray(ANSWER)
    damaged[bit // 8] ^= 1 << bit % 8
    assert ASKED.answer_in(bytes(damaged)) is None
    assert ASKED.blame(bytes(damaged)) in {"crc", "garbage", "short"}


@given(st.binary(max_size=80))
def test_noise_is_no_answer_and_has_a_reason(noise: bytes) -> None:
    answer = ASKED.answer_in(noise)
    assert answer is None or whole(answer)
    assert ASKED.blame(noise) in {"no_answer", "crc", "short", "garbage", "wrong_unit", "wrong_answer"}


def other_answer(unit: int, registers: int) -> bytes:
    body = bytes((unit, 4, 2 * registers)) + bytes(2 * registers)
    return body + crc(body)


def test_the_reason_names_what_came() -> None:
    assert ASKED.blame(b"") == "no_answer"
    assert ASKED.blame(ANSWER[:6]) == "short"
    assert ASKED.blame(ANSWER[:-1] + b"\x00") == "crc"
    assert ASKED.blame(other_answer(2, 4)) == "wrong_unit"
    assert ASKED.blame(other_answer(1, 2)) == "wrong_answer"
    assert ASKED.blame(b"Hello, this is no meter") == "garbage"

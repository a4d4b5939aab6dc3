"""Every byte belongs to one piece, and the pieces are those of the rules."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.parsers import framing
from analyzer.parsers.framing import BARE, BINARY, BLANK, CUT, GARBLED, RTCM, SUMMED, TEXT

GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
FRAGMENTS = st.sampled_from([
    GGA, GGA + b"\r\n", b"$GP", b"$", b"!AIVDM,1,1,,A,15M,0*5C", b"!", b"*", b"*4", b"*47",
    b"\r", b"\n", b"\r\n", b"\t",
    b",", b"text", b"\x00", b"\xff\xfe", b"\xb5b", b"A" * 1030, b"$GPTXT," + b"x" * 1020, b"y" * 4096, b"z" * 4100,
    b"\x01" * 5000, b"$GPGGA,1,2", b"$GPGGA,1*zz", b"$5 a day",
])
STREAMS = st.one_of(st.binary(max_size=300), st.lists(FRAGMENTS, max_size=12).map(b"".join))


def pieces_of(content: bytes) -> list[tuple[int, bytes]]:
    found = framing.frame(framing.padded(content))
    spans = zip(found.kind.tolist(), found.start.tolist(), found.end.tolist(), strict=True)
    return [(kind, content[a:b]) for kind, a, b in spans]


@pytest.mark.parametrize(("content", "expected"), [
    (b"", []),
    (GGA, [(SUMMED, GGA)]),
    (GGA + b"\r\n" + GGA + b"\n" + GGA + b"\r" + GGA,
     [(SUMMED, GGA + b"\r\n"), (SUMMED, GGA + b"\n"), (SUMMED, GGA + b"\r"), (SUMMED, GGA)]),
    (GGA + GGA, [(SUMMED, GGA), (SUMMED, GGA)]),
    (b"12:00:01 " + GGA + b" tail\n", [(TEXT, b"12:00:01 "), (SUMMED, GGA), (TEXT, b" tail\n")]),
    (b"\x00\x01" + GGA + b"\xff\n", [(BINARY, b"\x00\x01"), (SUMMED, GGA), (BINARY, b"\xff"), (BLANK, b"\n")]),
    (b"$GPGGA,1235" + GGA, [(CUT, b"$GPGGA,1235"), (SUMMED, GGA)]),
    (b"$GP" + GGA, [(CUT, b"$GP"), (SUMMED, GGA)]),
    (b"$GPGGA,1235\xb5\x62", [(CUT, b"$GPGGA,1235"), (BINARY, b"\xb5"), (TEXT, b"b")]),
    (b"$GPGGA,1,2\r\n", [(BARE, b"$GPGGA,1,2\r\n")]),
    (b"$GPGGA,1,2", [(CUT, b"$GPGGA,1,2")]),
    (b"$GPGGA,1,2*4\r\n", [(CUT, b"$GPGGA,1,2*4\r\n")]),
    (b"$GPGGA,1,2*4g\r\n", [(GARBLED, b"$GPGGA,1,2*4g\r\n")]),
    (b"!AIVDM,1,1*5C\nwow!\n", [(SUMMED, b"!AIVDM,1,1*5C\n"), (TEXT, b"wow!\n")]),
    (b"costs $5 a day\n", [(TEXT, b"costs "), (TEXT, b"$5 a day\n")]),
    (b"\r\n\n", [(BLANK, b"\r\n"), (BLANK, b"\n")]),
    (b"a\tb\n", [(TEXT, b"a\tb\n")]),
])
def test_pieces(content: bytes, expected: list[tuple[int, bytes]]) -> None:
    assert pieces_of(content) == expected


def test_an_endless_sentence_is_given_up_after_a_stated_length() -> None:
    pieces = pieces_of(b"$GPTXT," + b"x" * 2000 + b"*00\r\n")
    assert [kind for kind, _ in pieces] == [CUT, TEXT]
    assert len(pieces[0][1]) == framing.LONGEST_SENTENCE


def test_long_runs_are_counted_in_parts_and_keep_their_line_end() -> None:
    for fill, kind in ((b"y", TEXT), (b"\x01", BINARY)):
        parts = pieces_of(fill * (2 * framing.LONGEST_PIECE + 7))
        assert [len(part) for _, part in parts] == [framing.LONGEST_PIECE, framing.LONGEST_PIECE, 7]
        assert {found for found, _ in parts} == {kind}
    exact = pieces_of(b"y" * framing.LONGEST_PIECE + b"\r\n")
    assert [len(part) for _, part in exact] == [framing.LONGEST_PIECE + 2]


def test_bytes_of_an_rtcm_frame_act_as_nothing_else() -> None:
    content = b"\x00" + b"\xd3" + GGA + b"\n" + b"\x01" + GGA
    span = (np.array([1]), np.array([2 + len(GGA) + 1]))
    found = framing.frame(framing.padded(content), span)
    assert found.kind.tolist() == [BINARY, RTCM, BINARY, SUMMED]
    assert found.start.tolist() == [0, 1, span[1][0], span[1][0] + 1]


@given(STREAMS)
def test_pieces_tile_any_bytes(content: bytes) -> None:
    found = framing.frame(framing.padded(content))
    assert b"".join(part for _, part in pieces_of(content)) == content
    assert (found.end > found.start).all()
    assert (found.kind[found.sentence] >= SUMMED).all()


@given(STREAMS)
def test_a_good_sentence_is_found_behind_any_noise(noise: bytes) -> None:
    kind, part = pieces_of(noise + GGA + b"\r\n")[-1]
    assert (kind, part) == (SUMMED, GGA + b"\r\n")


@given(st.lists(st.sampled_from([GGA, b"$GPHDT,274.07,T*03", b"$PTNL,GGK*00"]), min_size=1),
       st.sampled_from([b"\r\n", b"\n"]))
def test_the_shortcut_for_tidy_logs_gives_what_the_general_way_gives(sentences: list[bytes], line_end: bytes) -> None:
    tidy = line_end.join(sentences) + line_end
    short, general = framing.frame(framing.padded(tidy)), framing.frame(framing.padded(tidy + b"\n"))
    for name in ("start", "end", "kind", "sentence", "token", "fields", "body_end"):
        whole = getattr(general, name)
        assert getattr(short, name).tolist() == whole[: len(sentences)].tolist(), name


def test_checksum_of_an_empty_body_is_zero() -> None:
    buffer = framing.padded(b"$*00$*01")
    start = np.array([0, 4])
    assert framing.checksum_matches(buffer, start, start + 1).tolist() == [True, False]

"""Samples as they come: CSV and raw integers against what was written, and every way to be wrong."""

from __future__ import annotations

import io
import os

import numpy as np
import pytest
from scipy.io import wavfile

from acoustics.base.errors import InputError
from acoustics.io.sidecar import Channel, KnownPinger, Sidecar
from acoustics.io.streams import RawFormat, stream_raw, stream_raw_file, stream_recording

RATE = 96e3
COUNTS = np.random.default_rng(1).integers(-2000, 2000, (150_001, 3), dtype=np.int32)
SIDECAR = Sidecar(
    sample_rate_hz=RATE,
    channels=tuple(Channel(name=name, position_m=(0.1 * k, 0.0, 0.0)) for k, name in enumerate("abc")),
    pingers=(KnownPinger(name="amber pinger", frequency_hz=30e3, length_s=4e-3, pri_s=2.0),),
    sound_speed_m_s=1480.0,
    volts_per_count=1e-4,
)


def joined(stream):
    blocks = list(stream.blocks)
    assert all(b.dtype == np.float32 for b in blocks)
    return np.concatenate(blocks, axis=-1).T


@pytest.mark.parametrize("kind", ["int16", "int32", "uint16", "uint32"])
@pytest.mark.parametrize("big", [False, True])
def test_raw_integers_come_back_in_volts(kind, big, tmp_path):
    layout = RawFormat(kind, big, 3, RATE)
    half = 2 ** (8 * np.dtype(kind).itemsize - 1)
    stored = COUNTS.astype(np.int64) + (half if kind[0] == "u" else 0)
    data = stored.astype(layout.stored).tobytes()
    (tmp_path / "a.raw").write_bytes(data)
    from_file = stream_raw_file(tmp_path / "a.raw", layout, SIDECAR)
    assert (from_file.n_samples, from_file.n_channels) == (len(COUNTS), 3)
    # Single precision holds 24 bits; unsigned 32-bit integers about half their range are rounded to 2^8.
    coarse = 256 * 1e-4 if kind == "uint32" else 0
    np.testing.assert_allclose(joined(from_file), COUNTS * 1e-4, rtol=1e-6, atol=coarse)
    np.testing.assert_allclose(
        joined(stream_raw(io.BytesIO(data), layout, SIDECAR, source="pipe")), COUNTS * 1e-4, rtol=1e-6, atol=coarse
    )


def test_wav_npy_and_csv_give_the_same_volts(tmp_path):
    wavfile.write(tmp_path / "a.wav", int(RATE), COUNTS.astype(np.int16))
    np.save(tmp_path / "a.npy", COUNTS)
    np.savetxt(tmp_path / "a.csv", COUNTS, fmt="%d", delimiter=",", header="a, b,c", comments="")
    for name in ("a.wav", "a.npy", "a.csv"):
        np.testing.assert_allclose(joined(stream_recording(tmp_path / name, SIDECAR)), COUNTS * 1e-4, rtol=1e-6)


@pytest.mark.parametrize(
    "text, problem",
    [
        ("a,b,c\n", "holds no samples"),
        ("", "its first line names  where the sidecar names a, b, c"),
        ("a,b\n1,2\n", "its first line names a, b where the sidecar names a, b, c"),
        ("1,2,3\n4,5,6\n", "its first line names 1, 2, 3 where the sidecar names a, b, c"),
        ("a,b,c\n1,2,3\n4,5\n", "line 3 holds 2 values where the first names 3"),
        ("a,b,c\n1,2\n4,5,6,7\n", "line 2 holds 2 values where the first names 3"),
        ("a,b,c\n1,2,x\n", "line 2: 'x' is not a finite number"),
        ("a,b,c\n1,2,3\n1,nan,3\n", "line 3: 'nan' is not a finite number"),
        ("a,b,c\n1,,3\n", "line 2: '' is not a finite number"),
        ("a,b,c\n1,2,3\n" + "1" * 2_000_000, "holds a line of over 10,000 characters"),
        ("a,b,c\n" + "1,2,3\n" * 200_000 + "4,5", "line 200002 holds 2 values where the first names 3"),
    ],
)
def test_a_wrong_csv_is_refused_by_line(text, problem, tmp_path):
    (tmp_path / "a.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        list(stream_recording(tmp_path / "a.csv", SIDECAR).blocks)
    assert str(caught.value) == f"{tmp_path / 'a.csv'}: {problem}"


@pytest.mark.parametrize(("unit", "value", "good"), [(None, "1e9", False), (1e-6, "1e9", True), (1e-6, "1e11", False)])
def test_a_number_that_no_converter_gives_is_refused_by_line(unit, value, good, tmp_path):
    (tmp_path / "a.csv").write_text(f"a,b,c\n1,2,3\n4,{value},6\n")
    stream = stream_recording(tmp_path / "a.csv", SIDECAR.model_copy(update={"volts_per_count": unit}))
    if good:
        assert joined(stream)[1, 1] == pytest.approx(1e3)
        return
    with pytest.raises(InputError, match="a.csv: line 3 holds a number over 1e"):
        list(stream.blocks)


def test_wrong_raw_samples_are_refused(tmp_path):
    path = tmp_path / "a.raw"
    little, big = RawFormat("int16", False, 3, RATE), RawFormat("int16", True, 3, RATE)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="holds no samples"):
        stream_raw_file(path, little, SIDECAR)
    path.write_bytes(b"\0" * 601)
    with pytest.raises(InputError, match="601 bytes are no whole number of samples of 3 channels, 6 bytes each"):
        stream_raw_file(path, little, SIDECAR)
    with pytest.raises(InputError, match="4 channels are given where the sidecar names 3"):
        stream_raw_file(path, RawFormat("int16", False, 4, RATE), SIDECAR)
    with pytest.raises(InputError, match="a rate of 48000 Hz is given where the sidecar says 96000 Hz"):
        stream_raw_file(path, RawFormat("int16", False, 3, 48e3), SIDECAR)
    with pytest.raises(InputError, match="cannot be read: no such file"):
        stream_raw_file(tmp_path / "none", little, SIDECAR)
    quiet = (COUNTS // 20).astype(">i2").tobytes()
    with pytest.raises(InputError, match="quiet with the other byte order: say so"):
        list(stream_raw(io.BytesIO(quiet), little, SIDECAR, source="pipe").blocks)
    assert joined(stream_raw(io.BytesIO(quiet), big, SIDECAR, source="pipe")).shape == COUNTS.shape
    with pytest.warns(UserWarning, match="pipe: ends within a sample; its last 1 bytes are left out"):
        assert joined(stream_raw(io.BytesIO(b"\0" * 601), little, SIDECAR, source="pipe")).shape == (100, 3)
    with pytest.warns(UserWarning), pytest.raises(InputError, match="pipe: holds no samples"):
        list(stream_raw(io.BytesIO(b"\0" * 5), little, SIDECAR, source="pipe").blocks)
    with pytest.raises(InputError, match="pipe: holds no samples"):
        list(stream_raw(io.BytesIO(b""), little, SIDECAR, source="pipe").blocks)


def test_a_pipe_is_answered_before_its_next_samples_come():
    """A recorder that pauses: what it gave is a block already, a sample begun waits for its rest."""
    read, write = os.pipe()
    layout = RawFormat("int16", False, 3, RATE)
    data = (np.arange(3 * 5000) % 100).astype("<i2").tobytes()
    with os.fdopen(read, "rb") as pipe:
        os.write(write, data[:24_601])
        blocks = stream_raw(pipe, layout, SIDECAR, source="pipe").blocks
        first, second = next(blocks).shape[1], next(blocks).shape[1]
        assert (first, first + second) == (4096, 4100)
        os.write(write, data[24_601:])
        os.close(write)
        assert sum(block.shape[1] for block in blocks) == 900

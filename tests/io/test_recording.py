"""Recordings written and read: against scipy's and the standard library's readers, and every way to be wrong."""

from __future__ import annotations

import hashlib
import json
import struct
import wave

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from acoustics.base.errors import InputError, OutputError, ParameterError
from acoustics.base.files import whole_file
from acoustics.io import recording as recording_module
from acoustics.io.recording import (
    choose_encoding,
    load_recording,
    volts_per_stored,
    write_samples,
)
from acoustics.io.sidecar import Channel, KnownPinger, NotedPose, Sidecar, read_sidecar, sidecar_table

COUNTS = np.random.default_rng(1).integers(-2048, 2048, (1001, 3), dtype=np.int32)  # of a 12-bit converter
PINGER = {"name": "amber pinger", "frequency_hz": 30e3, "length_s": 4e-3, "pri_s": 2.0}
SIDECAR = Sidecar(
    sample_rate_hz=250e3,
    volts_per_count=1e-4,
    gain_db=20.0,
    channels=tuple(
        Channel(name=name, position_m=(0.1 * k, 0.0, 0.2), tolerance_m=2e-3, sampling_offset_s=1e-6 * k)
        for k, name in enumerate("abc")
    ),
    pingers=(KnownPinger(**PINGER, depth_m=2.4, depth_sd_m=0.1),),
    temperature_degc=25.0,
    absolute_salinity_g_kg=0.5,
    sound_speed_m_s=1498.0,
    pose=NotedPose(position_m=(1.0, 2.0, 0.5), roll_deg=0.1, pitch_deg=-0.2, heading_deg=30.0),
)


def write(path, encoding, counts=COUNTS, bits=12, rate=250e3):
    blocks = (counts[k : k + 100] for k in range(0, len(counts), 100))
    write_samples(
        path,
        blocks,
        n_samples=len(counts),
        n_channels=counts.shape[1],
        sample_rate_hz=rate,
        recorder_bits=bits,
        encoding=encoding,
    )
    return path


@pytest.mark.parametrize(
    "name, encoding",
    [("a.wav", "wav16"), ("a.wav", "wav24"), ("a.wav", "wav32"), ("a.w64", "wav16"), ("a.w64", "wav32")]
    + [("a.flac", "flac16"), ("a.FLAC", "flac24"), ("a.npy", "npy")],
)
def test_volts_come_back_as_they_went(name, encoding, tmp_path):
    path = write(tmp_path / name, encoding)
    noted = {**sidecar_table(SIDECAR), "volts_per_count": volts_per_stored(encoding, 12, 2.5)}
    path.with_suffix(".json").write_text(json.dumps(noted))
    recording = load_recording(path)
    assert (recording.n_samples, recording.n_channels, recording.sample_rate_hz) == (1001, 3, 250e3)
    # A 12-bit converter of 2.5 V full scale: one step is 2 x 2.5 V / 2^12.
    np.testing.assert_allclose(recording.volts(), COUNTS * 2.5 / 2**11, rtol=1e-12)
    np.testing.assert_array_equal(recording.volts(7, 20), recording.volts()[7:20])
    assert recording.sidecar is not None and recording.sidecar.channels[2].name == "c"


@pytest.mark.parametrize("encoding, bits", [("wav16", 16), ("wav24", 24), ("wav32", 32)])
def test_scipy_and_the_standard_library_read_the_same_samples(encoding, bits, tmp_path):
    half = 2 ** (bits - 1)
    counts = np.random.default_rng(2).integers(-half, half, (1001, 3), dtype=np.int32)
    counts[0], counts[1] = -half, half - 1
    path = write(tmp_path / "a.wav", encoding, counts, bits)
    rate, samples = wavfile.read(path)
    assert rate == 250_000
    # 24 bits come from there in the upper three bytes of 32.
    expected = {"wav16": counts, "wav24": counts << 8, "wav32": counts}[encoding]
    np.testing.assert_array_equal(samples, expected)
    # Without a sidecar the full scale is 1.
    np.testing.assert_array_equal(load_recording(path).volts(), counts / half)
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getframerate(), file.getnframes()) == (3, 250_000, 1001)
        data = np.frombuffer(file.readframes(1001), np.uint8).reshape(1001, 3, bits // 8).astype(np.int64)
    signed = (data * 256 ** np.arange(bits // 8)).sum(axis=-1)
    np.testing.assert_array_equal(np.where(signed >= half, signed - 2 * half, signed), counts)


@pytest.mark.parametrize("bits", [16, 24])
def test_flac_holds_the_samples_whose_checksum_it_states(bits, tmp_path):
    """Bytes 26 to 41 of a FLAC file are the MD5 of its samples, little-endian in turn (RFC 9639, section 8.2)."""
    half = 2 ** (bits - 1)
    counts = np.random.default_rng(2).integers(-half, half, (1001, 3), dtype=np.int32)
    path = write(tmp_path / "a.flac", f"flac{bits}", counts, bits)
    words = counts.astype("<i4").view(np.uint8).reshape(1001, 3, 4)[..., : bits // 8]
    assert path.read_bytes()[26:42] == hashlib.md5(words.tobytes()).digest()
    np.testing.assert_array_equal(load_recording(path).volts(7, 90), counts[7:90] / half)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="is cut short|cannot be read beyond"):
        list(load_recording(path).blocks(100))


@pytest.mark.parametrize("bits", [16, 24])
def test_a_wav_too_long_for_riff_becomes_rf64(bits, tmp_path, monkeypatch):
    half = 2 ** (bits - 1)
    counts = np.random.default_rng(2).integers(-half, half, (1001, 3), dtype=np.int32)
    monkeypatch.setattr(recording_module, "_LARGEST_RIFF_BYTES", 1001 * 3 * 2 - 1)
    path = write(tmp_path / "a.wav", f"wav{bits}", counts, bits)
    # EBU Tech 3306: RF64, a size of all ones, WAVE, and the true sizes in 64 bits in the chunk ds64.
    content = path.read_bytes()
    assert content[:16] == b"RF64\xff\xff\xff\xffWAVEds64"
    riff, data, samples = struct.unpack("<QQQ", content[20:44])
    assert (riff, data, samples) == (len(content) - 8, 1001 * 3 * bits // 8, 1001)
    np.testing.assert_array_equal(load_recording(path).volts(), counts / half)


def test_w64_states_its_size_in_64_bits(tmp_path):
    content = write(tmp_path / "a.w64", "wav16").read_bytes()
    # The container's identifier begins like RIFF in small letters; the size of the file follows it.
    assert content[:4] == b"riff" and struct.unpack("<Q", content[16:24]) == (len(content),)


@pytest.mark.parametrize("kind", ["<i2", "<i4", ">i2", "<f4", "<f8"])
def test_files_of_other_programs_are_read(kind, tmp_path):
    counts = COUNTS if "i" in kind else COUNTS / 2048
    np.save(tmp_path / "a.npy", counts.astype(kind))
    (tmp_path / "a.json").write_text(json.dumps(sidecar_table(SIDECAR)))
    np.testing.assert_allclose(load_recording(tmp_path / "a.npy").volts(), counts * 1e-4, rtol=1e-6)
    if kind in ("<i2", "<i4", "<f4"):
        wavfile.write(tmp_path / "b.wav", 192_000, counts.astype(kind))
        full = {"<i2": 2.0**15, "<i4": 2.0**31, "<f4": 1.0}[kind]
        recording = load_recording(tmp_path / "b.wav")
        np.testing.assert_allclose(recording.volts(), counts.astype(kind) / full)
        assert recording.sample_rate_hz == 192_000 and recording.sidecar is None


def test_an_extensible_header_and_foreign_chunks_are_read(tmp_path):
    data = COUNTS.astype("<i2").tobytes()
    # Sub-format PCM of the extensible header: its 16 bytes begin with the format's number.
    guid = bytes.fromhex("0100000000001000800000aa00389b71")
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 3, 48_000, 48_000 * 6, 6, 16, 22, 16, 7) + guid
    chunks = b"LIST" + struct.pack("<I", 5) + b"notes\0" + b"fmt " + struct.pack("<I", 40) + fmt
    body = b"WAVE" + chunks + b"data" + struct.pack("<I", len(data)) + data
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    np.testing.assert_array_equal(load_recording(path).volts() * 2**15, COUNTS)


def header(channels=3, rate=250_000, bits=16, *, tag=1, align=None, byte_rate=None, data=None, payload=b"\0" * 600):
    align = channels * bits // 8 if align is None else align
    byte_rate = rate * align if byte_rate is None else byte_rate
    fmt = struct.pack("<HHIIHH", tag, channels, rate, byte_rate, align, bits)
    size = len(payload) if data is None else data
    return b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", size) + payload


WRONG_WAV = {
    "is no usable WAV, RF64, W64 or FLAC file: file contains data in": b"OggS" + b"\0" * 100,
    "is no usable WAV, RF64, W64 or FLAC file: format not recognised": b"",
    "is no usable WAV, RF64, W64 or FLAC file: error in wav file": header()[:12],
    "is no usable WAV, RF64, W64 or FLAC file: error in": header()[:36],
    "is no usable WAV, RF64, W64 or FLAC file: err": header()[:28],
    # Space set aside by a recorder that died, and a size of the format of 4 GiB.
    "is no usable WAV, RF64, W64 or FLAC file: error in wav file. no 'data'": b"RIFF\0\0\0\0WAVE" + b"\0" * 2_000_000,
    "is no usable WAV, RF64, W64 or FLAC file: format": b"RIFF" + b"\0" * 2_000_000,
    "is no usable WAV, RF64, W64 or FLAC file: error in wav/w64/rf64 file. short 'fmt ' chunk": header().replace(
        b"fmt \x10\0\0\0", b"fmt \xff\xff\xff\xff"
    ),
    "is cut short: its header promises 600 bytes of samples, 599 follow": header()[:-1],
    "is cut short: its header promises 4,294,967,295 bytes": header(data=0xFFFFFFFF),
    "holds no samples": header(payload=b""),
    "is no usable WAV, RF64, W64 or FLAC file: channel count": header(channels=0, align=6),
    "is no usable WAV, RF64, W64 or FLAC file: internal error": header(rate=0),
    "holds samples of kind PCM_U8; expected integers of 16, 24 or 32 bits or floats": header(bits=8),
    "holds samples of kind ULAW": header(bits=8, tag=7),
    "is no usable WAV, RF64, W64 or FLAC file: error in adpcm": header(tag=2),
    "is no usable WAV, RF64, W64 or FLAC file: e": header()[:12] + header()[36:],
    "sample 2 of channel 2 is not a finite number": header(
        bits=32, tag=3, payload=np.array([[0, 0, 0], [0, 0, 0], [0, np.inf, 0]], "<f4").tobytes()
    ),
}


@pytest.mark.parametrize("problem", WRONG_WAV)
def test_a_wrong_wav_is_refused_in_one_line(problem, tmp_path):
    path = tmp_path / "bad.wav"
    path.write_bytes(WRONG_WAV[problem])
    with pytest.raises(InputError) as caught:
        load_recording(path)
    assert str(caught.value).startswith(f"{path}: {problem}")
    assert "\n" not in str(caught.value)


WRONG_NPY = {
    "has shape (6,); expected (n_samples, n_channels)": np.zeros(6),
    "holds no samples": np.zeros((0, 3)),
    "holds uint8 samples; expected int16, int32, float32 or float64": np.zeros((6, 3), np.uint8),
    "holds complex128 samples": np.zeros((6, 3), complex),
    "has 6 channels where bad.json names 3": np.zeros((3, 6)),
    "sample 5 of channel 3 is not a finite number": np.where(np.arange(18).reshape(6, 3) == 17, np.nan, 0.0),
}


@pytest.mark.parametrize("problem", WRONG_NPY)
def test_a_wrong_npy_is_refused_in_one_line(problem, tmp_path):
    np.save(tmp_path / "bad.npy", WRONG_NPY[problem])
    (tmp_path / "bad.json").write_text(json.dumps(sidecar_table(SIDECAR)))
    with pytest.raises(InputError) as caught:
        load_recording(tmp_path / "bad.npy")
    assert str(caught.value).startswith(f"{tmp_path / 'bad.npy'}: {problem}")


ODD_HEADERS = {
    "keys of two kinds": "{'descr': '<i2', 'fortran_order': False, b'shape': (9, 4)}",
    "keys without order": "{'descr': '<i2', 'fortran_order': False, (1j,): (9, 4)}",
    "a list for a key": "{'descr': '<i2', 'fortran_order': False, ['shape']: (9, 4)}",
    "depth": "{'descr': " + "[" * 3000 + "]" * 3000 + "}",
    "signs": "{'descr': " + "-" * 9000 + "1}",
    "a shape of text": "{'descr': '<i2', 'fortran_order': False, 'shape': ('9', 4)}",
}


@pytest.mark.parametrize("odd", ODD_HEADERS)
def test_an_npy_with_an_odd_header_is_refused_in_one_line(odd, tmp_path):
    header = ODD_HEADERS[odd].encode() + b"\n"
    (tmp_path / "bad.npy").write_bytes(b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header + bytes(72))
    with pytest.raises(InputError) as caught:
        load_recording(tmp_path / "bad.npy")
    assert str(caught.value).startswith(f"{tmp_path / 'bad.npy'}: ") and str(caught.value).isprintable()


@pytest.mark.parametrize("keep", [0, 3, 40, 100, 1000])
def test_a_cut_npy_is_refused(keep, tmp_path):
    np.save(tmp_path / "bad.npy", COUNTS)
    (tmp_path / "bad.npy").write_bytes((tmp_path / "bad.npy").read_bytes()[:keep])
    with pytest.raises(InputError, match="is cut short|is not a usable NPY file"):
        load_recording(tmp_path / "bad.npy", sidecar=None)


def test_an_archive_by_the_name_of_an_array_is_refused(tmp_path):
    with open(tmp_path / "bad.npy", "wb") as file:
        np.savez(file, a=COUNTS)
    with pytest.raises(InputError, match="is not a usable NPY file: the magic string is not correct"):
        load_recording(tmp_path / "bad.npy")


def test_what_has_no_end_is_refused(tmp_path):
    for name in ("a.wav", "b.npy", "c.flac"):
        (tmp_path / name).symlink_to("/dev/zero")
        with pytest.raises(InputError, match="is no regular file"):
            load_recording(tmp_path / name)
    with pytest.raises(InputError, match="is a file of format AIFF; expected WAV, RF64, W64 or FLAC"):
        soundfile.write(tmp_path / "d.wav", COUNTS, 48_000, format="AIFF")
        load_recording(tmp_path / "d.wav")


def test_pickled_objects_are_refused(tmp_path):
    np.save(tmp_path / "bad.npy", np.array([[{"a": 1}]], dtype=object))
    with pytest.raises(InputError, match="is not a usable NPY file"):
        load_recording(tmp_path / "bad.npy")


def test_what_does_not_fit_together_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"a.wav: cannot be read: no such file or directory"):
        load_recording(tmp_path / "a.wav")
    with pytest.raises(InputError, match="a recording's name must end in .wav, .w64, .flac, .npy or .rf64"):
        load_recording(tmp_path / "a.mp3")
    write(tmp_path / "a.npy", "npy")
    with pytest.raises(InputError, match="has no sample rate of its own and a.json is not beside it"):
        load_recording(tmp_path / "a.npy")
    write(tmp_path / "a.wav", "wav16", rate=192e3)
    (tmp_path / "a.json").write_text(json.dumps(sidecar_table(SIDECAR)))
    with pytest.raises(InputError, match="has a rate of 192000 Hz where a.json says 250000 Hz"):
        load_recording(tmp_path / "a.wav")
    write(tmp_path / "a.wav", "wav16", COUNTS[:, :2])
    with pytest.raises(InputError, match="has 2 channels where a.json names 3"):
        load_recording(tmp_path / "a.wav")


def test_a_sidecar_comes_back_as_it_went(tmp_path):
    (tmp_path / "a.json").write_text(json.dumps(sidecar_table(SIDECAR)))
    assert read_sidecar(tmp_path / "a.json") == SIDECAR


@pytest.mark.parametrize(
    "change, problem",
    [
        ({"sample_rate_hz": 0}, "sample_rate_hz: should be greater than or equal to 1000, got 0"),
        ({"volts_per_count": True}, "volts_per_count: should be a number, got True"),
        ({"gain_db": "20"}, "gain_db: should be a number, got '20'"),
        ({"gain_db": float("nan")}, "gain_db: should be a finite number, got nan"),
        ({"gain_db": 700}, "gain_db: should be less than or equal to 120, got 700"),
        (
            {"channels": [{"name": "a", "position_m": [0, 0, 0], "sensitivity_db_re_v_per_upa": -1900}]},
            "channels[1].sensitivity_db_re_v_per_upa: should be greater than or equal to -260, got -1900",
        ),
        (
            {"channels": [{"name": n, "position_m": [x, 0, 0]} for n, x in (("a", 0.0), ("b", 191.25))]},
            "channels: the hydrophones span 191.2 m, more than any vehicle; if these are millimetres, divide by 1000: "
            "position_m is in metres",
        ),
        (
            {"channels": [{"name": n, "position_m": [x, 0, 0]} for n, x in (("a", 0), ("b", 3))]},
            "channels: the hydrophones span 3 m, all at whole metres; if these are millimetres, divide by 1000: "
            "position_m is in metres; if they are metres, give hull_m",
        ),
        ({"skew_sd_s": -1e-6}, "skew_sd_s: should be greater than or equal to 0, got -1e-06"),
        ({"sample_rate_khz": 250}, "unknown key 'sample_rate_khz'; did you mean 'sample_rate_hz'?"),
        ({"sound_speed_m_s": None}, "sound_speed_m_s: should be a number, got None"),
        ({"channels": []}, "channels: expected 1 or more, got 0"),
        ({"channels": {}}, "channels: expected a list, got dict"),
        ({"channels": [1]}, "channels[1]: expected a table, got int"),
        ({"channels": [{"name": "a"}]}, "channels[1].position_m: is missing"),
        (
            {"channels": [{"name": "a", "position_m": [0, 0, 0]}] * 2},
            "channels: 2 channels have the name 'a'; give each its own",
        ),
        ({"pose": {"position_m": [1, 2]}}, "pose.position_m[3]: is missing"),
        ({"pose": {"heading": 2}}, "pose: unknown key 'heading'; did you mean 'heading_deg'?"),
        ({"pingers": []}, "pingers: expected 1 or more, got 0"),
        ({"pingers": [PINGER | {"q": 0}]}, "pingers[1].q: should be greater than or equal to 0.5, got 0"),
        (
            {"pingers": [PINGER | {"pri_s": 4e-3}]},
            "pingers[1]: length_s = 0.004 must be shorter than pri_s = 0.004",
        ),
        (
            {"pingers": [PINGER | {"length_s": 3}]},
            "pingers[1].length_s: should be less than or equal to 1, got 3; if these are milliseconds, write 0.003",
        ),
        (
            {"sample_rate_hz": 30},
            "sample_rate_hz: should be greater than or equal to 1000, got 30; if these are kilohertz, write 30000",
        ),
        (
            {"sample_rate_hz": 1e7, "pingers": [PINGER | {"length_s": 0.5}]},
            "pingers[1].length_s: makes a burst of over 2,000,000 samples at that rate",
        ),
        (
            {"pingers": [PINGER | {"name": "a\x1b[31m"}]},
            "pingers[1].name: 'a\\x1b[31m' must be one line of printable characters",
        ),
        (
            {"pingers": [PINGER | {"sweep_hz": -3e4}]},
            "pingers[1]: sweep_hz = -30000 must be under frequency_hz = 30000",
        ),
        (
            {"pingers": [PINGER | {"depth_sd_m": -1}]},
            "pingers[1].depth_sd_m: should be greater than or equal to 0, got -1",
        ),
    ],
)
def test_a_wrong_sidecar_is_refused_by_key(change, problem, tmp_path):
    (tmp_path / "a.json").write_text(json.dumps(sidecar_table(SIDECAR) | change))
    with pytest.raises(InputError) as caught:
        read_sidecar(tmp_path / "a.json")
    assert str(caught.value) == f"{tmp_path / 'a.json'}: {problem}"


def test_what_a_sidecar_need_not_give_may_be_null_and_a_large_array_needs_its_hull(tmp_path):
    wide = [{"name": n, "position_m": [x, 0, 0]} for n, x in (("a", 0), ("b", 3))]
    change = {"gain_db": None, "temperature_degc": None, "channels": wide, "hull_m": [3.0, 0.6, 0.4]}
    (tmp_path / "a.json").write_text(json.dumps(sidecar_table(SIDECAR) | change))
    read = read_sidecar(tmp_path / "a.json")
    assert (read.gain_db, read.temperature_degc, read.channels[1].position_m) == (0.0, None, (3.0, 0.0, 0.0))


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, "\xff"])
def test_a_sidecar_that_is_no_json_is_refused(text, tmp_path):
    (tmp_path / "a.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match="is not valid JSON"):
        read_sidecar(tmp_path / "a.json")


def test_a_sidecar_without_an_end_is_refused():
    with pytest.raises(InputError, match="/dev/zero: larger than 1,000,000 bytes"):
        read_sidecar("/dev/zero")


def test_the_encoding_follows_name_and_bits(tmp_path):
    names = [tmp_path / "a.wav"] * 4 + [tmp_path / "a.NPY"]
    assert [choose_encoding(n, bits) for n, bits in zip(names, (12, 16, 24, 32, 24), strict=True)] == [
        "wav16",
        "wav16",
        "wav24",
        "wav32",
        "npy",
    ]
    with pytest.raises(ParameterError, match="recorder.bits = 24 do not fit into wav16; choose a wider format"):
        choose_encoding(tmp_path / "a.wav", 24, "wav16")
    assert choose_encoding(tmp_path / "a.flac", 20) == "flac24" and choose_encoding(tmp_path / "a.w64", 32) == "wav32"
    with pytest.raises(ParameterError, match="recorder.bits = 32 do not fit into flac16; choose a wider format"):
        choose_encoding(tmp_path / "a.flac", 32)
    with pytest.raises(OutputError, match="format npy does not belong to a name that ends in .wav; choose wav16"):
        choose_encoding(tmp_path / "a.wav", 16, "npy")
    with pytest.raises(OutputError, match="must end in .wav, .w64, .flac, .npy"):
        choose_encoding(tmp_path / "a.ogg", 16)


def test_a_container_refuses_what_it_cannot_hold(tmp_path):
    with pytest.raises(OutputError, match="sample_rate_hz=250000.5: wav16 holds whole numbers only"):
        write(tmp_path / "a.wav", "wav16", rate=250000.5)
    with pytest.raises(OutputError, match="flac16 cannot hold 3 channels at 2e.06 Hz"):
        write(tmp_path / "a.flac", "flac16", rate=2_000_000)


def test_a_file_appears_whole_or_not_at_all(tmp_path):
    with pytest.raises(KeyboardInterrupt), whole_file(tmp_path / "a") as temporary:
        temporary.write_text("half")
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []
    with whole_file(tmp_path / "a") as temporary:
        temporary.write_text("whole")
        assert not (tmp_path / "a").exists()
    assert (tmp_path / "a").read_text() == "whole"
    with (
        pytest.raises(OutputError, match="a: exists already; choose another name or add --force"),
        whole_file(tmp_path / "a"),
    ):
        pass
    with whole_file(tmp_path / "a", force=True) as temporary:
        temporary.write_text("new")
    assert [p.name for p in tmp_path.iterdir()] == ["a"] and (tmp_path / "a").read_text() == "new"
    with pytest.raises(OutputError, match="is a folder"), whole_file(tmp_path):
        pass
    with pytest.raises(OutputError, match="cannot be written: there is no folder"), whole_file(tmp_path / "no" / "a"):
        pass

use super::*;
use proptest::prelude::*;
use std::io::Cursor;

/// A chunk with its pad byte, sizes little-endian.
fn chunk(id: &str, body: &[u8]) -> Vec<u8> {
    let mut bytes = sized(id, body.len() as u32, body);
    bytes.extend(vec![0; body.len() % 2]);
    bytes
}

/// A chunk that claims a size of its own and has no pad byte.
fn sized(id: &str, size: u32, body: &[u8]) -> Vec<u8> {
    [id.as_bytes(), &size.to_le_bytes(), body].concat()
}

fn fmt(tag: u16, channels: u16, rate: u32, align: u16, bits: u16) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend((rate * u32::from(align)).to_le_bytes());
    body.extend(align.to_le_bytes());
    body.extend(bits.to_le_bytes());
    chunk("fmt ", &body)
}

fn mono16() -> Vec<u8> {
    fmt(1, 1, 8000, 2, 16)
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    [b"RIFF".to_vec(), (body.len() as u32 + 4).to_le_bytes().to_vec(), b"WAVE".to_vec(), body].concat()
}

/// Everything a recording gives: samples, notes, and the recording itself.
fn read(bytes: Vec<u8>) -> Result<(Vec<f32>, Vec<String>, Recording), RecordingError> {
    drain(Recording::from_reader(Cursor::new(bytes), "test.wav")?)
}

fn drain(mut recording: Recording) -> Result<(Vec<f32>, Vec<String>, Recording), RecordingError> {
    let (mut samples, mut block) = (Vec::new(), SampleBlock::default());
    while recording.next_block(&mut block)? {
        let frames = samples.len() as u64 / u64::from(recording.format().channels);
        assert!(block.lost_before.is_some() || block.first_frame == frames);
        samples.extend_from_slice(&block.samples);
    }
    Ok((samples, recording.notes().to_vec(), recording))
}

/// The reason why these bytes are refused; it is one line with a hint.
fn refusal(bytes: Vec<u8>) -> Fault {
    let error = read(bytes).err().expect("should be refused");
    let line = error.to_string();
    assert!(line.starts_with("test.wav: ") && line.contains("; hint: ") && !line.contains('\n'), "{line}");
    error.fault
}

/// The six samples that the readers of reference agree on.
const SIX: [u8; 12] = [0, 0, 1, 0, 0xff, 0xff, 0xff, 0x7f, 0, 0x80, 0, 1];

fn assert_six(samples: &[f32]) {
    let want = [0.0, 1.0, -1.0, 32767.0, -32768.0, 256.0].map(|v: f32| (v / 32768.0).to_bits());
    assert_eq!(samples.iter().map(|x| x.to_bits()).collect::<Vec<_>>(), want);
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|pair| (pair[0] << 4 | pair[1]) as u8).collect()
}

/// Byte vectors that libsndfile 1.2.2 and SciPy 1.17.1 both read as six samples.
#[test]
fn the_smallest_files_are_read_as_the_reference_readers_do() {
    let plain = hex(
        "52494646 30000000 57415645 666d7420 10000000 0100 0100 401f0000 803e0000 0200 1000 64617461 0c000000
         0000 0100 ffff ff7f 0080 0001",
    );
    assert_eq!(plain.len(), 56);
    let (samples, notes, recording) = read(plain).unwrap();
    assert_six(&samples);
    assert_eq!(recording.format(), StreamFormat { rate_hz: 8000, channels: 1 });
    assert_eq!(recording.format_words(), "16-bit integer");
    assert_eq!(recording.frames_expected(), Some(6));
    assert!(notes.is_empty(), "{notes:?}");

    let long = hex(
        "52463634 ffffffff 57415645 64733634 1c000000 5400000000000000 0c00000000000000 0600000000000000 00000000
         666d7420 10000000 0100 0100 401f0000 803e0000 0200 1000 64617461 ffffffff
         0000 0100 ffff ff7f 0080 0001",
    );
    assert_eq!(long.len(), 92);
    let (samples, notes, _) = read(long).unwrap();
    assert_six(&samples);
    assert!(notes.is_empty(), "{notes:?}");

    let extensible24 = hex("666d7420 28000000 feff 0100 401f0000 c05d0000 0300 1800 1600 1800 04000000
         0100000000001000800000aa00389b71");
    let (samples, notes, recording) =
        read(riff(&[extensible24, chunk("data", &hex("ffff7f 000080 563412"))])).unwrap();
    assert_eq!(samples.len(), 3);
    assert!((samples[2] - 0.142_222_17).abs() < 1e-8 && (samples[1] + 1.0).abs() < 1e-9);
    assert_eq!(recording.format_words(), "24-bit integer");
    assert!(notes.is_empty(), "{notes:?}");
}

/// The table of sizes that streaming and killed recorders leave behind; libsndfile 1.2.2 and SciPy 1.17.1 read six
/// samples from each but the zeros, which they read as empty.
#[test]
fn sizes_that_were_never_filled_in_are_mended() {
    for size in [u32::MAX, 0xFFFF_FFDB, 0x7FFF_F000, 0x8000_0000, 0x7FFF_FFFF, 0] {
        let (samples, notes, _) = read(riff(&[mono16(), sized("data", size, &SIX)])).unwrap();
        assert_six(&samples);
        assert_eq!(notes.len(), 1, "{size:#x}: {notes:?}");
    }
    let mut bytes = riff(&[mono16(), sized("data", 100, &SIX)]);
    bytes[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
    let (samples, notes, _) = read(bytes).unwrap();
    assert_six(&samples);
    assert_eq!(notes, ["cut short: 6 of 50 frames are there"]);
}

#[test]
fn an_empty_data_chunk_is_told_from_one_that_was_never_filled_in() {
    let list = chunk("LIST", b"INFOISFT\x04\0\0\0abcd");
    let (samples, notes, _) = read(riff(&[mono16(), sized("data", 0, &[]), list])).unwrap();
    assert!(samples.is_empty() && notes.is_empty(), "{notes:?}");
    let (samples, notes, _) = read(riff(&[mono16(), sized("data", 0, &[])])).unwrap();
    assert!(samples.is_empty() && notes.is_empty(), "{notes:?}");
}

#[test]
fn the_length_of_a_file_is_used_where_the_header_has_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("killed.wav");
    std::fs::write(&path, riff(&[mono16(), sized("data", u32::MAX, &SIX)])).unwrap();
    let recording = open(&path).unwrap();
    assert_eq!(recording.frames_expected(), Some(6));
    assert_six(&drain(recording).unwrap().0);
    // From a pipe nobody knows.
    let piped = Recording::from_reader(Cursor::new(std::fs::read(&path).unwrap()), "pipe").unwrap();
    assert_eq!(piped.frames_expected(), None);
}

#[test]
fn odd_chunks_are_walked_with_and_without_their_pad_byte() {
    let padded = riff(&[chunk("LIST", b"INFOa"), mono16(), chunk("data", &SIX)]);
    let (samples, notes, _) = read(padded).unwrap();
    assert_six(&samples);
    assert!(notes.is_empty());

    let unpadded = riff(&[sized("LIST", 5, b"INFOa"), mono16(), chunk("data", &SIX)]);
    let (samples, notes, _) = read(unpadded).unwrap();
    assert_six(&samples);
    assert_eq!(notes, ["the pad byte after the odd chunk `LIST` is missing"]);

    // Padded with something else than zero.
    let padded = riff(&[sized("LIST", 5, b"INFOax"), mono16(), chunk("data", &SIX)]);
    let (samples, notes, _) = read(padded).unwrap();
    assert_six(&samples);
    assert!(notes.is_empty());
}

#[test]
fn only_the_first_data_chunk_is_sound() {
    let bytes = riff(&[mono16(), chunk("data", &SIX), chunk("LIST", b"INFO"), chunk("data", &SIX)]);
    assert_six(&read(bytes).unwrap().0);
}

#[test]
fn an_id3_tag_in_front_is_skipped() {
    let tag = [&b"ID3\x04\0\0\0\0\x01\x02"[..], &[7; 130]].concat();
    let (samples, notes, _) = read([tag, riff(&[mono16(), chunk("data", &SIX)])].concat()).unwrap();
    assert_six(&samples);
    assert_eq!(notes, ["an ID3 tag in front was skipped"]);
}

#[test]
fn big_endian_files_are_read() {
    let body = hex("57415645 666d7420 00000010 0001 0001 00001f40 00003e80 0002 0010 64617461 0000000c
         0000 0001 ffff 7fff 8000 0100");
    let (samples, _, recording) = read([hex("52494658 00000030"), body].concat()).unwrap();
    assert_six(&samples);
    assert_eq!(recording.format_words(), "16-bit integer, big-endian");
    assert_eq!(recording.format().rate_hz, 8000);
}

#[test]
fn block_align_and_byte_rate_that_lie_are_not_believed() {
    for align in [0, 1, 3, 7, 600] {
        let bytes = riff(&[fmt(1, 1, 8000, align, 16), chunk("data", &SIX)]);
        let (samples, notes, _) = read(bytes).unwrap();
        if align == 3 {
            // Three bytes could hold 16 bits: believed, as a container.
            assert_eq!(samples.len(), 4);
        } else if align == 7 {
            assert_eq!(samples.len(), 1);
        } else {
            assert_six(&samples);
            assert_eq!(notes.len(), 1, "{align}: {notes:?}");
        }
    }
}

#[test]
fn bytes_that_are_no_whole_frame_are_left_out_and_told() {
    let bytes = riff(&[fmt(1, 2, 8000, 4, 16), chunk("data", &SIX[..11])]);
    let (samples, notes, _) = read(bytes).unwrap();
    assert_eq!(samples.len(), 4);
    assert_eq!(notes, ["3 bytes at the end are no whole frame and were left out"]);
}

#[test]
fn twenty_four_bits_in_four_bytes_are_read_both_ways() {
    let format = fmt(1, 1, 48000, 4, 24);
    let silence = vec![0; 4 * 10_000];
    let low = [&silence[..], &hex("a0ffff00 0c5a0000 ffff7f00 206d8000")].concat();
    let (samples, notes, _) = read(riff(&[format.clone(), chunk("data", &low)])).unwrap();
    let full = 8_388_608.0;
    let want = [-96.0, 23052.0, 8_388_607.0, -8_360_672.0f32].map(|v| v / full);
    for (got, want) in samples[10_000..].iter().zip(want) {
        assert!((got - want).abs() < 1e-7, "{got} {want}");
    }
    assert!(samples[..10_000].iter().all(|x| x.abs() < 1e-9));
    assert_eq!(notes, ["24-bit samples in 4 bytes: they were found in the low three bytes"]);

    let high = [&silence[..], &hex("00a0ffff 000c5a00 00ffff7f 00206d80")].concat();
    let (samples, notes, _) = read(riff(&[format, chunk("data", &high)])).unwrap();
    for (got, want) in samples[10_000..].iter().zip(want) {
        assert!((got - want).abs() < 1e-7, "{got} {want}");
    }
    assert_eq!(notes, ["24-bit samples in 4 bytes: they were found in the high three bytes"]);
}

#[test]
fn floats_that_are_no_numbers_are_gaps_and_counted() {
    let data: Vec<u8> =
        [0.25f32, f32::NAN, f32::INFINITY, -0.5].iter().flat_map(|x| x.to_le_bytes()).collect();
    let (samples, notes, _) = read(riff(&[fmt(3, 1, 8000, 4, 32), chunk("data", &data)])).unwrap();
    assert!(samples[1].is_nan() && samples[2].is_nan() && (samples[3] + 0.5).abs() < 1e-9);
    assert_eq!(notes, ["2 samples are not numbers (NaN or infinite): left out as gaps"]);
}

/// A stream that breaks off where its bytes do.
struct BreakingOff(Cursor<Vec<u8>>);

impl Read for BreakingOff {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self.0.read(into)? {
            0 => Err(io::ErrorKind::ConnectionReset.into()),
            read => Ok(read),
        }
    }
}

#[test]
fn what_was_mended_is_told_wherever_the_reading_ends() {
    let seconds = 4 * BLOCK_SAMPLES / 8000;
    let data: Vec<u8> = (0..seconds * 8000)
        .map(|n| if n == 7 { f32::NAN } else { 0.25 })
        .flat_map(f32::to_le_bytes)
        .collect();
    let bytes = riff(&[fmt(3, 1, 8000, 4, 32), chunk("data", &data)]);
    let mended = "1 samples are not numbers (NaN or infinite): left out as gaps";
    let mut block = SampleBlock::default();
    let begun = |reader: Box<dyn Read + Send + Sync>, stop: &Stop, block: &mut SampleBlock| {
        let mut recording = Recording::new(reader, None, "any", stop).unwrap();
        assert!(recording.next_block(block).unwrap());
        recording
    };
    let stop = Stop::default();
    let mut stopped = begun(Box::new(Cursor::new(bytes.clone())), &stop, &mut block);
    stop.store(true, Ordering::Relaxed);
    assert!(!stopped.next_block(&mut block).unwrap() && stopped.stopped());
    let after_s = BLOCK_SAMPLES as f64 / 8000.0;
    assert_eq!(stopped.notes(), [mended.to_owned(), format!("stopped by hand after {after_s:.2} s")]);

    let cut = bytes[..bytes.len() / 2].to_vec();
    let mut broken = begun(Box::new(BreakingOff(Cursor::new(cut))), &Stop::default(), &mut block);
    while broken.next_block(&mut block).unwrap() {}
    assert_eq!(broken.notes()[0], mended);
    assert!(broken.notes()[1].starts_with("broke off after ") && !broken.stopped(), "{:?}", broken.notes());

    let mut left = begun(Box::new(Cursor::new(bytes)), &Stop::default(), &mut block);
    assert!(left.notes().is_empty());
    left.leave();
    left.leave();
    assert_eq!(left.notes(), [mended]);
    assert!(!left.next_block(&mut block).unwrap() && !left.stopped());
}

#[test]
fn what_is_no_recording_is_refused_in_one_plain_line() {
    assert!(matches!(refusal(Vec::new()), Fault::Empty));
    assert!(matches!(refusal(b"Dear Sir".to_vec()), Fault::NotSound { looks_like: "a text file" }));
    assert!(matches!(refusal(b"OggS\0\0\0\0".to_vec()), Fault::NotSound { looks_like: "an Ogg file" }));
    assert!(matches!(refusal(b"RIFF\x04\0\0\0AVI ".to_vec()), Fault::NotAWave));
    assert!(matches!(refusal(b"RIFF".to_vec()), Fault::NotAWave));
    assert!(matches!(refusal(riff(&[])), Fault::NoFormat));
    assert!(matches!(refusal(riff(&[chunk("data", &SIX)])), Fault::NoFormat));
    assert!(matches!(refusal(riff(&[mono16()])), Fault::NoData));
    assert!(matches!(refusal(riff(&[mono16(), sized("LIST", u32::MAX, b"")])), Fault::NoData));
    assert!(matches!(refusal(riff(&[chunk("fmt ", &[1, 0, 1, 0])])), Fault::ShortFormat));
    assert!(matches!(refusal(riff(&[mono16(), chunk("\0\0\0\0", &[])])), Fault::LostTrack { at: 36 }));
    let refused = |format: Vec<u8>| refusal(riff(&[format, chunk("data", &SIX)]));
    assert!(matches!(refused(fmt(1, 0, 8000, 2, 16)), Fault::Channels(0)));
    assert!(matches!(refused(fmt(1, 1, 399, 2, 16)), Fault::Rate(399)));
    assert!(matches!(refused(fmt(1, 1, 1_000_001, 2, 16)), Fault::Rate(1_000_001)));
    assert!(matches!(refused(fmt(1, 1, 8000, 2, 0)), Fault::Bits(0)));
    assert!(matches!(refused(fmt(3, 1, 8000, 2, 16)), Fault::Bits(16)));
    assert!(matches!(refused(fmt(0x11, 1, 8000, 256, 4)), Fault::Compressed { name: "IMA ADPCM", .. }));
    assert!(matches!(refused(fmt(0x31, 1, 8000, 65, 0)), Fault::Compressed { name: "GSM 6.10", .. }));
}

#[test]
fn files_that_can_not_be_opened_are_refused_in_one_plain_line() {
    let folder = tempfile::tempdir().unwrap();
    let missing = open(folder.path().join("no\nsuch.wav")).err().unwrap();
    assert!(matches!(missing.fault, Fault::Missing));
    assert!(missing.to_string().contains("no\\nsuch.wav: there is no such file; hint: "));
    assert!(matches!(open(folder.path()).err().unwrap().fault, Fault::Folder));
}

/// hound is the judge of what both can read.
#[test]
fn hound_and_this_reader_agree_on_what_hound_writes() {
    for (bits, channels) in [(8, 1), (16, 1), (16, 3), (24, 2), (32, 2)] {
        let spec = hound::WavSpec {
            channels,
            sample_rate: 44100,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let mut bytes = Cursor::new(Vec::new());
        let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
        for i in 0..20_000i64 * i64::from(channels) {
            // Steps over the whole scale, never twice the same.
            let value = (i * 1_640_531_527) % (1 << bits) - (1 << (bits - 1));
            writer.write_sample(value as i32).unwrap();
        }
        writer.finalize().unwrap();
        let bytes = bytes.into_inner();
        let full = (1i64 << (bits - 1)) as f32;
        let want: Vec<f32> = hound::WavReader::new(Cursor::new(&bytes))
            .unwrap()
            .samples::<i32>()
            .map(|s| s.unwrap() as f32 / full)
            .collect();
        let (got, notes, recording) = read(bytes).unwrap();
        assert_eq!(recording.format().channels, channels);
        assert!(notes.is_empty(), "{notes:?}");
        assert!(got.iter().zip(&want).all(|(g, w)| (g - w).abs() < 1e-9), "{bits} bits");
        assert_eq!(got.len(), want.len());
    }
}

/// RFC 9639 (December 2024), appendix D.1: one stereo frame of one sample, 25588 left and 10416 right (the bytes from memory; their MD5 sum of the
/// samples, 3e84b418 …, agrees).
const RFC9639_EXAMPLE: &str = "664c6143 80000022 1000 1000 00000f 00000f 0ac442f0 00000001
    3e84b418 07dc6903 07586a3d ad1a2e0f fff86918 0000bf03 58fd0312 8baa9a";

#[test]
fn the_worked_example_of_the_flac_standard_is_read() {
    let (samples, notes, recording) = read(hex(RFC9639_EXAMPLE)).unwrap();
    assert_eq!(recording.format(), StreamFormat { rate_hz: 44100, channels: 2 });
    assert_eq!(recording.format_words(), "16-bit FLAC");
    assert_eq!(samples.iter().map(|x| x * 32768.0).collect::<Vec<_>>(), [25588.0, 10416.0]);
    assert!(notes.is_empty());
}

#[test]
fn flac_that_is_cut_off_or_damaged_is_told() {
    let whole = hex(RFC9639_EXAMPLE);
    let (samples, notes, _) = read(whole[..whole.len() - 3].to_vec()).unwrap();
    assert!(samples.is_empty());
    assert_eq!(notes, ["cut short: 0 of 1 frames are there"]);
    let line = read(whole[..20].to_vec()).err().unwrap().to_string();
    assert_eq!(
        line,
        "test.wav: is FLAC that can't be decoded (cut off in its header); \
         hint: convert it to WAV, or copy it again from its source"
    );
}

/// CRC of RFC 9639, sections 9.1.8 (8 bits, polynomial 0x07) and 9.3 (16 bits, polynomial 0x8005).
fn crc(bytes: &[u8], width: u32, polynomial: u32) -> u32 {
    bytes.iter().fold(0, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte) << (width - 8), |crc, _| {
            let carry = crc >> (width - 1) & 1;
            ((crc << 1) ^ (carry * polynomial)) & ((1 << width) - 1)
        })
    })
}

/// A mono FLAC stream of 16-bit frames, each of one verbatim subframe (RFC 9639, sections 9.1 to 9.3).
fn flac(frames: &[[i16; 16]]) -> Vec<u8> {
    let mut bytes = hex("664c6143 80000022 0010 0010 000000 000000 01f400f0 00000000");
    bytes.extend([0; 16]);
    bytes[25] = frames.len() as u8 * 16;
    for (number, samples) in (0..).zip(frames) {
        let mut frame = vec![0xFF, 0xF8, 0x60, 0x08, number, 15];
        frame.push(crc(&frame, 8, 0x07) as u8);
        frame.push(0x02);
        frame.extend(samples.iter().flat_map(|sample| sample.to_be_bytes()));
        frame.extend((crc(&frame, 16, 0x8005) as u16).to_be_bytes());
        bytes.extend(frame);
    }
    bytes
}

#[test]
fn a_damaged_flac_frame_is_a_gap_of_known_length() {
    let frames: [[i16; 16]; 4] = [[3, -7].repeat(8), vec![11; 16], vec![-4; 16], [9, 20, 30, 3015].repeat(4)]
        .map(|samples| samples.try_into().unwrap());
    let whole = flac(&frames);
    let (samples, notes, recording) = read(whole.clone()).unwrap();
    assert!(notes.is_empty(), "{notes:?}");
    assert_eq!(recording.format(), StreamFormat { rate_hz: 8000, channels: 1 });
    assert_eq!(samples.len(), 64);
    assert!((samples[63] * 32_768.0 - 3015.0).abs() < 1e-3);

    let mut damaged = whole;
    let second_frame = damaged.len() - 3 * 42;
    damaged[second_frame + 20] ^= 0x5A;
    let mut recording = Recording::from_reader(Cursor::new(damaged), "test.flac").unwrap();
    let (mut blocks, mut block) = (Vec::new(), SampleBlock::default());
    while recording.next_block(&mut block).unwrap() {
        blocks.push((block.first_frame, block.lost_before, block.samples.len()));
    }
    assert_eq!(blocks, [(0, None, 16), (32, Some(Loss::Frames(16)), 16), (48, None, 16)]);
    assert_eq!(recording.notes(), ["16 frames are damaged: left out as gaps"]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any bytes behind any of the beginnings are read or refused: no panic, blocks of bounded size.
    #[test]
    fn any_bytes_are_read_or_refused(
        start in prop::sample::select(vec![
            b"RIFF\0\0\0\0WAVE".to_vec(), b"RIFX\0\0\0\0WAVE".to_vec(), b"RF64\0\0\0\0WAVE".to_vec(),
            b"fLaC\0\0\0\x22".to_vec(), b"ID3\x04\0\0\0\0\0\x02..".to_vec(), riff(&[mono16()]), Vec::new(),
        ]),
        rest in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        if let Ok(mut recording) = Recording::from_reader(Cursor::new([start, rest].concat()), "any") {
            let mut block = SampleBlock::default();
            while let Ok(true) = recording.next_block(&mut block) {
                prop_assert!(block.samples.capacity() <= 1 << 20);
            }
        }
    }

    /// A file with a few bytes changed is read or refused.
    #[test]
    fn a_good_file_with_changed_bytes_is_read_or_refused(
        good in prop::sample::select(vec![
            riff(&[chunk("LIST", b"INFOa"), fmt(1, 2, 8000, 6, 24), chunk("data", &[7; 99])]),
            riff(&[fmt(3, 1, 8000, 8, 64), chunk("data", &[7; 99])]),
            hex(RFC9639_EXAMPLE),
        ]),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let mut bytes = good;
        for (at, value) in changes {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if let Ok(recording) = Recording::from_reader(Cursor::new(bytes), "changed") {
            let _ = drain(recording);
        }
    }
}

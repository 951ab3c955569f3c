//! From the bytes of a WAV file's samples to full scale = ±1.

use multiversion::multiversion;

/// How one sample is stored. `bytes` is the container's width; valid bits below it are left-justified, so that full
/// scale is always the container's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    /// One unsigned byte, 128 = zero.
    Unsigned8,
    /// Two's complement in 2 to 8 bytes.
    Integer { bytes: usize },
    /// 24 bits in 4 bytes, nothing but silence so far to tell on which side the padding is.
    Unplaced24In4,
    /// 24 bits right-justified in 4 bytes.
    Low24In4,
    /// IEEE 754 single.
    Float32,
    /// IEEE 754 double.
    Float64,
    /// ITU-T G.711 A-law.
    ALaw,
    /// ITU-T G.711 µ-law.
    MuLaw,
}

/// A float sample beyond this (180 dB over full scale) is damage, not sound.
const ABSURD: f32 = 1e9;

impl Encoding {
    /// Bytes to a sample.
    pub(super) fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 | Self::ALaw | Self::MuLaw => 1,
            Self::Integer { bytes } => bytes,
            Self::Unplaced24In4 | Self::Low24In4 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// Decodes whole samples into `out`, replacing what it held, and tells how many were no numbers: those are NaN.
    pub(super) fn decode(self, big_endian: bool, raw: &[u8], out: &mut Vec<f32>) -> u64 {
        out.clear();
        match (self, big_endian) {
            (Self::Unsigned8, _) => out.extend(raw.iter().map(|&b| (f32::from(b) - 128.0) / 128.0)),
            (Self::ALaw, _) => out.extend(raw.iter().map(|&b| A_LAW[usize::from(b)])),
            (Self::MuLaw, _) => out.extend(raw.iter().map(|&b| MU_LAW[usize::from(b)])),
            (Self::Integer { bytes: 2 }, false) => each(raw, out, |b| i16_scaled(i16::from_le_bytes(b))),
            (Self::Integer { bytes: 2 }, true) => each(raw, out, |b| i16_scaled(i16::from_be_bytes(b))),
            (Self::Integer { bytes: 3 }, false) => {
                each(raw, out, |[a, b, c]| i32_scaled(i32::from_le_bytes([0, a, b, c])));
            }
            (Self::Integer { bytes: 3 }, true) => {
                each(raw, out, |[a, b, c]| i32_scaled(i32::from_be_bytes([a, b, c, 0])));
            }
            (Self::Integer { bytes: 4 }, false) => each(raw, out, |b| i32_scaled(i32::from_le_bytes(b))),
            (Self::Integer { bytes: 4 }, true) => each(raw, out, |b| i32_scaled(i32::from_be_bytes(b))),
            (Self::Integer { bytes }, big_endian) => {
                // Wider than an f32 can tell: the four leading bytes are enough.
                out.extend(raw.chunks_exact(bytes).map(|sample| {
                    let mut top = [0; 4];
                    if big_endian {
                        top.copy_from_slice(&sample[..4]);
                        i32_scaled(i32::from_be_bytes(top))
                    } else {
                        top.copy_from_slice(&sample[bytes - 4..]);
                        i32_scaled(i32::from_le_bytes(top))
                    }
                }));
            }
            (Self::Unplaced24In4, _) => each(raw, out, |_: [u8; 4]| 0.0),
            (Self::Low24In4, false) => {
                each(raw, out, |[a, b, c, _]| i32_scaled(i32::from_le_bytes([0, a, b, c])));
            }
            (Self::Low24In4, true) => {
                each(raw, out, |[_, a, b, c]| i32_scaled(i32::from_be_bytes([a, b, c, 0])));
            }
            (Self::Float32, false) => each(raw, out, |b| sane(f32::from_le_bytes(b))),
            (Self::Float32, true) => each(raw, out, |b| sane(f32::from_be_bytes(b))),
            (Self::Float64, false) => each(raw, out, |b| sane(f64::from_le_bytes(b) as f32)),
            (Self::Float64, true) => each(raw, out, |b| sane(f64::from_be_bytes(b) as f32)),
        }
        match self {
            Self::Float32 | Self::Float64 => out.iter().filter(|x| x.is_nan()).count() as u64,
            _ => 0,
        }
    }
}

/// Decodes samples of `N` bytes; the fixed width lets the loop be vectorised.
#[multiversion(targets("x86_64+avx2"))]
fn each<const N: usize>(raw: &[u8], out: &mut Vec<f32>, decode: impl Fn([u8; N]) -> f32) {
    out.extend(raw.as_chunks::<N>().0.iter().map(|&sample| decode(sample)));
}

fn i16_scaled(sample: i16) -> f32 {
    f32::from(sample) / 32768.0
}

fn i32_scaled(sample: i32) -> f32 {
    sample as f32 / 2_147_483_648.0
}

fn sane(sample: f32) -> f32 {
    if sample.abs() <= ABSURD { sample } else { f32::NAN }
}

/// Tells how 24 bits lie in 4 bytes of plain PCM from samples that are not silence: the side that is never used is
/// the padding. Where both sides could be (16-bit sound in 24 bits), the padding is taken to be at the top.
pub(super) fn place_24_in_4(big_endian: bool, raw: &[u8]) -> Encoding {
    let top_is_padding = raw.as_chunks::<4>().0.iter().all(|&sample| {
        let value = if big_endian { u32::from_be_bytes(sample) } else { u32::from_le_bytes(sample) };
        // Zeros, or the sign carried on.
        value >> 24 == 0 || value >> 23 == 0x1FF
    });
    if top_is_padding { Encoding::Low24In4 } else { Encoding::Integer { bytes: 4 } }
}

/// Expands every A-law code: ITU-T G.711, table 1, 13-bit values left-justified in 16 bits.
const A_LAW: [f32; 256] = {
    let mut table = [0.0; 256];
    let mut code = 0i32;
    while code < 256 {
        let bits = code ^ 0x55;
        let (segment, step) = ((bits >> 4) & 7, bits & 15);
        let size = if segment == 0 { (step << 4) + 8 } else { ((step << 4) + 0x108) << (segment - 1) };
        table[code as usize] = if bits & 0x80 == 0 { -size } else { size } as f32 / 32768.0;
        code += 1;
    }
    table
};

/// Expands every µ-law code: ITU-T G.711, table 2, 14-bit values left-justified in 16 bits.
const MU_LAW: [f32; 256] = {
    let mut table = [0.0; 256];
    let mut code = 0i32;
    while code < 256 {
        let bits = !code & 0xFF;
        let (segment, step) = ((bits >> 4) & 7, bits & 15);
        let size = (((step << 3) + 0x84) << segment) - 0x84;
        table[code as usize] = if bits & 0x80 == 0 { size } else { -size } as f32 / 32768.0;
        code += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(encoding: Encoding, big_endian: bool, raw: &[u8]) -> Vec<f32> {
        let mut out = vec![9.0];
        encoding.decode(big_endian, raw, &mut out);
        out
    }

    fn assert_close(got: &[f32], want: &[f32]) {
        assert_eq!(got.len(), want.len());
        for (g, w) in got.iter().zip(want) {
            assert!((g - w).abs() <= 1e-9 + 1e-7 * w.abs(), "{got:?} for {want:?}");
        }
    }

    /// Byte vectors that libsndfile 1.2.2 and SciPy 1.17.1 read to these values.
    #[test]
    fn integers_are_scaled_as_libsndfile_and_scipy_do() {
        let bytes24 = [
            0, 0, 0, 1, 0, 0, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f, 0, 0, 0x80, 0x56, 0x34, 0x12, 0xaa, 0xcb,
            0xed,
        ];
        let want =
            [0.0, 1.192_092_9e-7, -1.192_092_9e-7, 1.0 - 1.192_092_9e-7, -1.0, 0.142_222_17, -0.142_222_17];
        assert_close(&decoded(Encoding::Integer { bytes: 3 }, false, &bytes24), &want);
        let mut turned = bytes24;
        turned.as_chunks_mut::<3>().0.iter_mut().for_each(|s| s.reverse());
        assert_close(&decoded(Encoding::Integer { bytes: 3 }, true, &turned), &want);

        let bytes16 = [0, 0, 1, 0, 0xff, 0xff, 0xff, 0x7f, 0, 0x80, 0, 1];
        let want = [0.0, 3.051_757_8e-5, -3.051_757_8e-5, 0.999_969_5, -1.0, 7.8125e-3];
        assert_close(&decoded(Encoding::Integer { bytes: 2 }, false, &bytes16), &want);

        let want = [-1.0, -0.992_187_5, -0.007_812_5, 0.0, 0.007_812_5, 0.992_187_5];
        assert_close(&decoded(Encoding::Unsigned8, false, &[0, 1, 127, 128, 129, 255]), &want);
    }

    #[test]
    fn wide_integers_keep_their_leading_bytes() {
        // Half of full scale in five and in eight bytes, both ways round.
        assert_close(&decoded(Encoding::Integer { bytes: 5 }, false, &[0, 0, 0, 0, 0x40]), &[0.5]);
        assert_close(&decoded(Encoding::Integer { bytes: 5 }, true, &[0x40, 0, 0, 0, 0]), &[0.5]);
        assert_close(&decoded(Encoding::Integer { bytes: 8 }, false, &[0, 0, 0, 0, 0, 0, 0, 0xc0]), &[-0.5]);
    }

    /// ITU-T G.711 (11/88), tables 1a to 2b, decoder output values: A-law in 13 bits with full scale 4096, µ-law in
    /// 14 bits with full scale 8192. From memory: both ends of the scale and the two zeros.
    #[test]
    fn companded_codes_expand_as_g711_says() {
        let a = |code: u8| f64::from(A_LAW[usize::from(code)]) * 4096.0;
        let mu = |code: u8| f64::from(MU_LAW[usize::from(code)]) * 8192.0;
        for (code, value) in [(0xD5, 1.0), (0x55, -1.0), (0xAA, 4032.0), (0x2A, -4032.0)] {
            assert!((a(code) - value).abs() < 1e-9, "A-law {code:#x}: {}", a(code));
        }
        for (code, value) in [(0xFF, 0.0), (0x7F, 0.0), (0xFE, 2.0), (0x80, 8031.0), (0x00, -8031.0)] {
            assert!((mu(code) - value).abs() < 1e-9, "µ-law {code:#x}: {}", mu(code));
        }
        // Every step of the magnitude code is a step up in magnitude.
        for code in 0..127usize {
            assert!(MU_LAW[0x80 + code] > MU_LAW[0x81 + code]);
            assert!(A_LAW[(0x80 + code) ^ 0x55] < A_LAW[(0x81 + code) ^ 0x55]);
        }
    }

    #[test]
    fn what_is_no_number_becomes_a_missing_sample() {
        let mut raw = Vec::new();
        for x in [0.5f32, f32::NAN, f32::INFINITY, -f32::INFINITY, 1e30, 2.0] {
            raw.extend(x.to_le_bytes());
        }
        let mut out = Vec::new();
        assert_eq!(Encoding::Float32.decode(false, &raw, &mut out), 4);
        assert_close(&[out[0], out[5]], &[0.5, 2.0]);
        assert!(out[1..5].iter().all(|x| x.is_nan()));
        let raw: Vec<u8> = [1e300f64, -0.25].iter().flat_map(|x| x.to_be_bytes()).collect();
        assert_eq!(Encoding::Float64.decode(true, &raw, &mut out), 1);
        assert_close(&out[1..], &[-0.25]);
    }

    #[test]
    fn the_unused_byte_tells_where_24_bits_lie() {
        let low = [0xa0, 0xff, 0xff, 0x00, 0x0c, 0x5a, 0, 0];
        assert_eq!(place_24_in_4(false, &low), Encoding::Low24In4);
        assert_close(&decoded(Encoding::Low24In4, false, &low[..4]), &[-96.0 / 8_388_608.0]);
        assert_eq!(place_24_in_4(false, &[0xa0, 0xff, 0xff, 0xff]), Encoding::Low24In4);
        let high = [0, 0xa0, 0xff, 0x7f, 0, 1, 0, 0x80];
        assert_eq!(place_24_in_4(false, &high), Encoding::Integer { bytes: 4 });
        assert_eq!(place_24_in_4(true, &[0x7f, 0xff, 0xa0, 0]), Encoding::Integer { bytes: 4 });
        assert_eq!(place_24_in_4(true, &[0xff, 0xff, 0xa0, 1]), Encoding::Low24In4);
    }
}

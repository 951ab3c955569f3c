//! The command line.
#![allow(clippy::all, missing_docs, warnings)]
use std::process::ExitCode;

/// Runs the command line and returns the exit status.
pub fn run() -> ExitCode {
    use crate::pipeline::*;
    use crate::block::*;
    use crate::offset::*;
    let args: Vec<String> = std::env::args().skip(2).collect();
    let mut s = Settings::default();
    let mut files = vec![];
    let mut it = args.iter();
    let mut track=false;
    while let Some(a) = it.next() {
        match a.as_str() {
            "--json" => {}
            "--track" => track=true,
            "--station-tones" => s.station_tones = true,
            "--turning" => s.turning = Some(if it.next().unwrap() == "up" { Turning::Up } else { Turning::Down }),
            "--hand" => s.hand = if it.next().unwrap() == "signal" { Hand::Signal } else { Hand::Meter },
            f => files.push(f.to_owned()),
        }
    }
    struct T(bool);
    impl Sink for T { fn row(&mut self, r:&crate::heard::TrackRow){ if self.0 { eprintln!("{:.3} {:?} {:?} {:?} {:?}", r.time_s, r.offset_hz, r.u_hz, r.level_db, r.state);} } }
    for f in files {
        let mut r = hound::WavReader::open(&f).unwrap();
        let spec = r.spec();
        let samples: Vec<f32> = match spec.sample_format {
            hound::SampleFormat::Float => r.samples::<f32>().map(|x| x.unwrap_or(0.0)).collect(),
            hound::SampleFormat::Int => { let k = 1.0/(1u64 << (spec.bits_per_sample-1)) as f32; r.samples::<i32>().map(|x| x.unwrap_or(0) as f32 * k).collect() }
        };
        let format = StreamFormat { rate_hz: spec.sample_rate, channels: spec.channels };
        let mut p = Pipeline::new(format, &s).unwrap();
        let mut sink = T(track);
        let ch = spec.channels as usize;
        let mut at = 0u64;
        for c in samples.chunks(4096*ch) {
            p.push(&SampleBlock { samples: c.to_vec(), first_frame: at, lost_before: None }, &mut sink);
            at += (c.len()/ch) as u64;
        }
        let fin = p.finish(&mut sink);
        println!("{}", serde_json::to_string(&fin.heard).unwrap());
    }
    ExitCode::SUCCESS
}

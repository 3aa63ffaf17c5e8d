//! A film as a phone plays it inside a mail or a message: H.264 (main profile, 4:2:0), its index in front, no sound. The caller
//! names a path that is not yet anybody's and puts the file in place when it is whole.

use crate::error::{Error, Result};
use crate::fault;
use ffmpeg_next as ffmpeg;
use ffmpeg_next::format::Pixel;
use ffmpeg_next::software::scaling;
use ffmpeg_next::{Dictionary, Packet, Rational, codec, encoder, format, frame};
use std::io;
use std::path::{Path, PathBuf};

/// What a film is to be.
#[derive(Debug, Clone, Copy)]
pub struct Shape {
    /// Even numbers, as 4:2:0 wants them.
    pub width: u32,
    pub height: u32,
    /// Pictures a second.
    pub rate: u32,
    /// How many pictures will come: with `most_bytes` this tells how many bits a second may take.
    pub pictures: usize,
    pub most_bytes: u64,
}

/// A film that is being written.
pub struct Film {
    path: PathBuf,
    shape: Shape,
    out: format::context::Output,
    encoder: encoder::Video,
    colours: scaling::Context,
    bgr: frame::Video,
    yuv: frame::Video,
    written: usize,
}

impl Film {
    pub fn begin(path: &Path, shape: Shape) -> Result<Film> {
        let even = |n: u32| n > 0 && n.is_multiple_of(2);
        if !even(shape.width) || !even(shape.height) || shape.rate == 0 || shape.pictures == 0 {
            return Err(Error::Internal("a film's width, height, rate or length cannot be".into()));
        }
        fault::point().map_err(Error::file(path))?;
        let failed = |e| failed(path, e);
        ffmpeg::init().map_err(failed)?;
        let h264 = encoder::find_by_name("libx264").ok_or_else(|| {
            Error::Installation("FFmpeg's libraries here cannot write H.264 (libx264): films cannot be made, pictures can".into())
        })?;
        let mut out = format::output_as(path, "mp4").map_err(failed)?;
        let mut stream = out.add_stream(h264).map_err(failed)?;
        let mut wanted = codec::context::Context::new_with_codec(h264).encoder().video().map_err(failed)?;
        wanted.set_width(shape.width);
        wanted.set_height(shape.height);
        wanted.set_format(Pixel::YUV420P);
        wanted.set_time_base(Rational(1, shape.rate as i32));
        wanted.set_frame_rate(Some(Rational(shape.rate as i32, 1)));
        wanted.set_flags(codec::Flags::GLOBAL_HEADER | codec::Flags::CLOSED_GOP);
        // the encoder may spend its rate over the whole length and a full buffer, one second's worth, on top; a tenth is left for
        // the index and for its threads, which overdraw a little and not twice alike
        let seconds = shape.pictures as f64 / f64::from(shape.rate);
        let bits = (0.9 * 8.0 * shape.most_bytes as f64 / (seconds + 1.0)) as u64;
        let mut how = Dictionary::new();
        for (key, value) in [("preset", "veryfast"), ("profile", "main"), ("crf", "23"), ("x264-params", "log-level=error")] {
            how.set(key, value);
        }
        how.set("maxrate", &bits.to_string());
        how.set("bufsize", &bits.to_string());
        let encoder = wanted.open_as_with(h264, how).map_err(failed)?;
        stream.set_parameters(&encoder);
        stream.set_time_base(Rational(1, shape.rate as i32));
        let mut front = Dictionary::new();
        front.set("movflags", "+faststart");
        out.write_header_with(front).map_err(failed)?;
        let (w, h) = (shape.width, shape.height);
        let colours = scaling::Context::get(Pixel::BGR24, w, h, Pixel::YUV420P, w, h, scaling::Flags::BILINEAR).map_err(failed)?;
        let (bgr, yuv) = (frame::Video::new(Pixel::BGR24, w, h), frame::Video::new(Pixel::YUV420P, w, h));
        Ok(Film { path: path.to_path_buf(), shape, out, encoder, colours, bgr, yuv, written: 0 })
    }

    /// The next picture: rows of BGR without gaps.
    pub fn add(&mut self, picture: &[u8]) -> Result<()> {
        let row = 3 * self.shape.width as usize;
        if picture.len() != row * self.shape.height as usize {
            return Err(Error::Internal("a picture of another size in a film".into()));
        }
        let stride = self.bgr.stride(0);
        for (to, from) in self.bgr.data_mut(0).chunks_mut(stride).zip(picture.chunks(row)) {
            to[..row].copy_from_slice(from);
        }
        // a new one each time: the encoder may still hold the last
        self.yuv = frame::Video::new(Pixel::YUV420P, self.shape.width, self.shape.height);
        self.colours.run(&self.bgr, &mut self.yuv).map_err(|e| failed(&self.path, e))?;
        self.yuv.set_pts(Some(self.written as i64));
        self.encoder.send_frame(&self.yuv).map_err(|e| failed(&self.path, e))?;
        self.written += 1;
        self.drain()
    }

    /// Ends the film. Where it came out larger than allowed that is an error, not a surprise in somebody's mail.
    pub fn finish(mut self) -> Result<u64> {
        self.encoder.send_eof().map_err(|e| failed(&self.path, e))?;
        self.drain()?;
        self.out.write_trailer().map_err(|e| failed(&self.path, e))?;
        let path = self.path.clone();
        let most = self.shape.most_bytes;
        drop(self);
        fault::point().map_err(Error::file(&path))?;
        let file = std::fs::File::open(&path).map_err(Error::file(&path))?;
        file.sync_all().map_err(Error::file(&path))?;
        let bytes = file.metadata().map_err(Error::file(&path))?.len();
        match bytes <= most {
            true => Ok(bytes),
            false => Err(Error::Video(format!("the film takes {bytes} bytes, more than the {most} allowed"))),
        }
    }

    fn drain(&mut self) -> Result<()> {
        let target = self.out.stream(0).map(|s| s.time_base()).unwrap_or(Rational(1, self.shape.rate as i32));
        let mut packet = Packet::empty();
        loop {
            match self.encoder.receive_packet(&mut packet) {
                Ok(()) => {}
                Err(ffmpeg::Error::Eof | ffmpeg::Error::Other { errno: libc::EAGAIN }) => return Ok(()),
                Err(e) => return Err(failed(&self.path, e)),
            }
            packet.set_stream(0);
            packet.set_duration(1);
            packet.rescale_ts(Rational(1, self.shape.rate as i32), target);
            packet.write_interleaved(&mut self.out).map_err(|e| failed(&self.path, e))?;
        }
    }
}

/// An error of the system keeps its kind, so that a full disk is told as one.
fn failed(path: &Path, e: ffmpeg::Error) -> Error {
    match e {
        ffmpeg::Error::Other { errno } => Error::file(path)(io::Error::from_raw_os_error(errno)),
        e => Error::Video(e.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(pictures: usize) -> Shape {
        Shape { width: 320, height: 480, rate: 30, pictures, most_bytes: 400_000 }
    }

    /// Noise that changes with every picture: nothing costs an encoder more.
    fn noise(seed: u32, s: Shape) -> Vec<u8> {
        let mut x = seed.wrapping_mul(2_654_435_761) | 1;
        let next = |x: &mut u32| {
            *x ^= *x << 13;
            *x ^= *x >> 17;
            *x ^= *x << 5;
            (*x >> 24) as u8
        };
        (0..3 * s.width * s.height).map(|_| next(&mut x)).collect()
    }

    #[test]
    fn what_comes_back_has_the_length_the_colour_and_the_size() {
        let (folder, s) = (tempfile::tempdir().unwrap(), shape(90));
        let path = folder.path().join("a.mp4");
        let mut film = Film::begin(&path, s).unwrap();
        let amber: Vec<u8> = [20u8, 160, 240].repeat((s.width * s.height) as usize);
        (0..90).for_each(|_| film.add(&amber).unwrap());
        film.finish().unwrap();

        let bytes = std::fs::read(&path).unwrap();
        let at = |name: &[u8]| bytes.windows(4).position(|w| w == name).unwrap();
        assert!(at(b"moov") < at(b"mdat"), "the index stands in front");
        let mut input = format::input(&path).unwrap();
        assert_eq!(input.streams().count(), 1, "no sound");
        let parameters = input.stream(0).unwrap().parameters();
        let mut decoder = codec::context::Context::from_parameters(parameters).unwrap().decoder().video().unwrap();
        assert_eq!((decoder.format(), decoder.width(), decoder.height()), (Pixel::YUV420P, s.width, s.height));
        assert_eq!(decoder.profile(), codec::Profile::H264(codec::profile::H264::Main));
        let (mut seen, mut picture) = (0, frame::Video::empty());
        let mut take = |decoder: &mut codec::decoder::Video| {
            while decoder.receive_frame(&mut picture).is_ok() {
                let luma = picture.data(0)[100 * picture.stride(0) + 100];
                // BT.601, limited: 16 + (65.5 R + 128.6 G + 25 B) / 256
                assert!(luma.abs_diff(160) <= 3, "{luma}");
                seen += 1;
            }
        };
        for (_, packet) in input.packets() {
            decoder.send_packet(&packet).unwrap();
            take(&mut decoder);
        }
        decoder.send_eof().unwrap();
        take(&mut decoder);
        assert_eq!(seen, 90);
    }

    #[test]
    fn noise_stays_under_the_limit_and_an_impossible_limit_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let make = |name: &str, s: Shape| {
            let path = folder.path().join(name);
            let mut film = Film::begin(&path, s).unwrap();
            (0..120).for_each(|i| film.add(&noise(i, s)).unwrap());
            (film.finish(), std::fs::metadata(&path).unwrap().len())
        };
        let (told, bytes) = make("b.mp4", shape(120));
        assert_eq!(told.unwrap(), bytes);
        assert!(bytes <= 400_000, "{bytes}");
        // one picture of noise alone takes more than this
        let (told, bytes) = make("d.mp4", Shape { most_bytes: 2_000, ..shape(120) });
        assert!(told.is_err() && bytes > 2_000, "{told:?} for {bytes} bytes");
    }

    #[test]
    fn a_picture_of_another_size_and_a_folder_that_is_not_there_are_told() {
        let folder = tempfile::tempdir().unwrap();
        let mut film = Film::begin(&folder.path().join("c.mp4"), shape(1)).unwrap();
        assert!(film.add(&[0; 12]).is_err());
        assert!(matches!(Film::begin(&folder.path().join("none/c.mp4"), shape(1)), Err(Error::File { .. })));
    }

    #[test]
    fn a_full_disk_is_told_as_one() {
        // every write to this device fails as on a full disk
        let full = Path::new("/dev/full");
        let Ok(mut film) = Film::begin(full, shape(60)).map_err(|e| assert!(e.is_out_of_space(), "{e}")) else { return };
        let s = shape(60);
        let told = (0..60).try_for_each(|i| film.add(&noise(i, s))).and_then(|()| film.finish().map(drop));
        assert!(told.is_err_and(|e| e.is_out_of_space()), "a film on a full disk was called whole");
    }
}

//! One video track of a file, decoded picture by picture with FFmpeg's libraries.

use super::hdr::ToUsual;
use super::probe::FORMATS;
use ffmpeg_next::codec::{context, threading};
use ffmpeg_next::color::{Space, TransferCharacteristic};
use ffmpeg_next::format::context::Input;
use ffmpeg_next::software::scaling;
use ffmpeg_next::util::format::Pixel;
use ffmpeg_next::{Dictionary, Packet, Rational, decoder, format, frame};
use opencv::core::{Mat, MatTraitConst, Rect};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

/// An open file at some place.
pub struct Decoder {
    input: Input,
    stream: usize,
    time_base: Rational,
    decoder: decoder::Video,
    /// Colours of the pictures to BGR; made when first needed, and anew when pictures change their kind.
    colours: Option<scaling::Context>,
    /// How their range becomes the usual one, with what they say of it; made when first needed, and anew when they say otherwise.
    range: Option<(TransferCharacteristic, Space, Option<ToUsual>)>,
    picture: frame::Video,
    bgr: frame::Video,
    /// All packets are read.
    drained: bool,
}

/// Threads that decode a clip.
static THREADS: AtomicUsize = AtomicUsize::new(1);
/// Packets that the decoder refuses, one after another, before the file is given up.
const MAX_REFUSED: usize = 512;

/// How many threads decode each clip that this process opens from here on.
pub fn set_threads(count: usize) {
    THREADS.store(count.max(1), Ordering::Relaxed);
}

impl Decoder {
    /// Opens a track of the file; `None` where no decoder takes it.
    pub fn open(path: &Path, track: usize) -> Option<Decoder> {
        // errors only: the worker counts them in its own standard error
        ffmpeg_next::util::log::set_level(ffmpeg_next::util::log::Level::Error);
        let mut options = Dictionary::new();
        options.set("format_whitelist", FORMATS);
        options.set("protocol_whitelist", "file");
        let input = format::input_with_dictionary(&format!("file:{}", path.to_str()?), options).ok()?;
        let stream = input.stream(track)?;
        let time_base = stream.time_base();
        let mut context = context::Context::from_parameters(stream.parameters()).ok()?;
        let count = THREADS.load(Ordering::Relaxed);
        context.set_threading(threading::Config { kind: threading::Type::Frame, count, ..Default::default() });
        let mut decoder = context.decoder();
        decoder.set_packet_time_base(time_base);
        Some(Decoder {
            decoder: decoder.video().ok()?,
            input,
            stream: track,
            time_base,
            colours: None,
            range: None,
            picture: frame::Video::empty(),
            bgr: frame::Video::empty(),
            drained: false,
        })
    }

    /// Goes to the last place at or before `seconds` (by the file's own clock) from which decoding can start.
    pub fn leap(&mut self, seconds: f64) -> bool {
        let at = (seconds * f64::from(ffmpeg_next::ffi::AV_TIME_BASE)) as i64;
        self.drained = false;
        let found = self.input.seek(at, ..at).is_ok();
        self.decoder.flush();
        found
    }

    /// Decodes the next picture; `false` at the end.
    pub fn grab(&mut self) -> bool {
        let mut refused = 0;
        loop {
            if self.decoder.receive_frame(&mut self.picture).is_ok() {
                return true;
            }
            if self.drained || refused > MAX_REFUSED {
                return false;
            }
            let mut packet = Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) if packet.stream() != self.stream => {}
                Ok(()) => refused += usize::from(self.decoder.send_packet(&packet).is_err()),
                // one broken packet; the reader finds the next
                Err(ffmpeg_next::Error::InvalidData) => refused += 1,
                Err(_) => {
                    let _ = self.decoder.send_eof();
                    self.drained = true;
                }
            }
        }
    }

    /// Time of the picture last decoded, seconds by the file's own clock; `None` where the file does not tell.
    pub fn time(&self) -> Option<f64> {
        Some(self.picture.timestamp()? as f64 * f64::from(self.time_base))
    }

    /// Whether the decoder says that the picture last decoded is not whole.
    pub fn is_torn(&self) -> bool {
        self.picture.is_corrupt()
    }

    /// Width and height of the picture last decoded, as coded.
    pub fn coded_size(&self) -> (u32, u32) {
        (self.picture.width(), self.picture.height())
    }

    /// Puts the picture last decoded into `picture`, BGR of the usual range, `width` × `height` (not turned); `None` where its
    /// colours cannot be converted.
    pub fn retrieve(&mut self, picture: &mut Mat, (width, height): (u32, u32)) -> Option<()> {
        let coded = (self.picture.format(), self.picture.width(), self.picture.height());
        let same = |c: &scaling::Context| (c.input().format, c.input().width, c.input().height) == coded;
        if !self.colours.as_ref().is_some_and(same) {
            let (kind, w, h) = coded;
            self.colours = scaling::Context::get(kind, w, h, Pixel::BGR24, width, height, scaling::Flags::BICUBIC).ok();
            self.bgr = frame::Video::empty();
        }
        self.colours.as_mut()?.run(&self.picture, &mut self.bgr).ok()?;
        // rows are padded: one long row of bytes, cut to the picture's rows, and to their colours
        let (rows, columns) = (i32::try_from(height).ok()?, i32::try_from(width).ok()?);
        let bytes = Mat::from_slice(self.bgr.data(0)).ok()?;
        let padded = bytes.reshape(1, rows).ok()?;
        let cut = Mat::roi(&padded, Rect::new(0, 0, 3 * columns, rows)).ok()?;
        cut.reshape_def(3).ok()?.copy_to(picture).ok()?;
        let (transfer, space) = (self.picture.color_transfer_characteristic(), self.picture.color_space());
        if !self.range.as_ref().is_some_and(|(t, s, _)| (*t, *s) == (transfer, space)) {
            self.range = Some((transfer, space, ToUsual::of(transfer, space)));
        }
        match &self.range {
            Some((_, _, Some(to_usual))) => to_usual.apply(picture).ok(),
            _ => Some(()),
        }
    }
}

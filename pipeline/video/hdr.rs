//! High dynamic range, in which many phones film unasked, to the usual range that screens and the models are made for: left as it
//! is, such a picture looks dull and dark. By ITU-R BT.2100 (the curves), BT.2408 (where white lies) and BT.2087 (the colours).

use ffmpeg_next::color::{Space, TransferCharacteristic};
use opencv::core::{Mat, MatTraitManual};

/// Light of diffuse white and of the brightest that HLG shows, cd/m²: BT.2408, BT.2100.
const WHITE: f64 = 203.0;
const BRIGHTEST: f64 = 1000.0;
/// What one picture's colours are made with from brightness and two differences, and the share of red and blue in brightness.
const BT601: Colours = Colours { red: 1.402, blue: 1.772, share: [0.114, 0.587, 0.299] };
const BT2020: Colours = Colours { red: 1.4746, blue: 1.8814, share: [0.0593, 0.6780, 0.2627] };
/// Light of BT.2020's colours as light of BT.709's; rows and columns blue, green, red.
const TO_BT709: [[f32; 3]; 3] = [[1.1187, -0.1006, -0.0182], [-0.0083, 1.1329, -0.1246], [-0.0728, -0.5876, 1.6605]];
/// Steps of a table of light, by its square root.
const STEPS: usize = 1024;

struct Colours {
    red: f64,
    blue: f64,
    /// Blue, green, red.
    share: [f64; 3],
}

/// How a picture's numbers stand for light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Curve {
    Hlg,
    Pq,
}

impl Curve {
    /// Light of a number from 0 to 1: for HLG as filmed, from 0 to 1; for PQ as shown, in diffuse whites.
    fn light(self, number: f64) -> f64 {
        match self {
            Curve::Hlg => {
                let (a, b, c) = (0.178_832_77, 0.284_668_92, 0.559_910_73);
                if number <= 0.5 { number * number / 3.0 } else { (((number - c) / a).exp() + b) / 12.0 }
            }
            Curve::Pq => {
                let (m1, m2) = (2610.0 / 16384.0, 2523.0 / 32.0);
                let (c1, c2, c3) = (3424.0 / 4096.0, 2413.0 / 128.0, 2392.0 / 128.0);
                let p = number.powf(1.0 / m2);
                10_000.0 / WHITE * ((p - c1).max(0.0) / (c2 - c3 * p)).powf(1.0 / m1)
            }
        }
    }
}

/// The way from one kind of high dynamic range to the usual one.
pub struct ToUsual {
    curve: Curve,
    /// From numbers that were made as for BT.601 to those of BT.2020.
    colours: [[f32; 3]; 3],
    /// Light by quarters of a number from 0 to 255.
    light: Vec<f32>,
    /// What HLG's brightness, by [`STEPS`] of its square root, lifts the light of a pixel by, to diffuse whites.
    lift: Vec<f32>,
    /// Numbers to show by [`STEPS`] of the square root of light, up to the brightest.
    shown: Vec<u8>,
}

impl ToUsual {
    /// For pictures of this kind whose numbers were made as for BT.601; `None` where their range is the usual one.
    pub fn of(transfer: TransferCharacteristic, space: Space) -> Option<ToUsual> {
        let curve = match transfer {
            TransferCharacteristic::ARIB_STD_B67 => Curve::Hlg,
            TransferCharacteristic::SMPTE2084 => Curve::Pq,
            _ => return None,
        };
        let step = |i: usize| (i as f64 / (STEPS - 1) as f64).powi(2);
        let most = BRIGHTEST / WHITE;
        // close to straight until white, then ever flatter: what is brighter than white keeps its shape
        let rolled = |x: f64| x / (1.0 + x.powi(6)).powf(1.0 / 6.0);
        Some(ToUsual {
            curve,
            colours: if space == Space::BT2020NCL { remade(&BT601, &BT2020) } else { remade(&BT601, &BT601) },
            light: (0..=4 * 255).map(|i| curve.light(i as f64 / 1020.0) as f32).collect(),
            lift: (0..STEPS).map(|i| (most * step(i).powf(0.2)) as f32).collect(),
            // a screen's gamma by BT.1886
            shown: (0..STEPS).map(|i| (255.0 * rolled(most * step(i)).powf(1.0 / 2.4)).round() as u8).collect(),
        })
    }

    /// Converts a picture, BGR.
    pub fn apply(&self, picture: &mut Mat) -> opencv::Result<()> {
        let most = (BRIGHTEST / WHITE) as f32;
        let at = |light: f32| (light.clamp(0.0, 1.0).sqrt() * (STEPS - 1) as f32 + 0.5) as usize;
        for pixel in picture.data_bytes_mut()?.chunks_exact_mut(3) {
            let number = times(&self.colours, [0, 1, 2].map(|c| f32::from(pixel[c])));
            let mut light = number.map(|n| self.light[(4.0 * n.clamp(0.0, 255.0) + 0.5) as usize]);
            if self.curve == Curve::Hlg {
                let brightness: f32 = light.iter().zip(BT2020.share).map(|(l, s)| l * s as f32).sum();
                light = light.map(|l| l * self.lift[at(brightness)]);
            }
            for (byte, light) in pixel.iter_mut().zip(times(&TO_BT709, light)) {
                *byte = self.shown[at(light / most)];
            }
        }
        Ok(())
    }
}

fn times(matrix: &[[f32; 3]; 3], v: [f32; 3]) -> [f32; 3] {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Numbers that were made one way, made the other way; rows and columns blue, green, red.
fn remade(from: &Colours, to: &Colours) -> [[f32; 3]; 3] {
    // brightness and the differences to it come back from the numbers; green is what is left of brightness
    let y = from.share;
    let row = |own: usize, scale: f64| [0, 1, 2].map(|c| y[c] + scale * (f64::from(u8::from(c == own)) - y[c]));
    let (blue, red) = (row(0, to.blue / from.blue), row(2, to.red / from.red));
    let green = [0, 1, 2].map(|c| (y[c] - to.share[0] * blue[c] - to.share[2] * red[c]) / to.share[1]);
    [blue, green, red].map(|row| row.map(|v| v as f32))
}

#[cfg(test)]
mod tests {
    use super::*;
    use opencv::core::{CV_8UC3, MatTraitConstManual, Scalar};

    fn shown(transfer: TransferCharacteristic, number: f64) -> u8 {
        let grey = Scalar::all((255.0 * number).round());
        let mut picture = Mat::new_rows_cols_with_default(2, 2, CV_8UC3, grey).unwrap();
        ToUsual::of(transfer, Space::BT2020NCL).unwrap().apply(&mut picture).unwrap();
        let bytes = picture.data_bytes().unwrap();
        assert!(bytes.iter().all(|b| b.abs_diff(bytes[0]) <= 1), "grey stays grey: {bytes:?}");
        bytes[1]
    }

    /// ITU-R BT.2408, table of nominal signal levels (from memory): HLG 75 % and PQ 58 % are 203 cd/m², HLG 73 % and PQ 57 % 179,
    /// HLG 38 % and PQ 38 % are 26, HLG 0 and PQ 0 none.
    #[test]
    fn light_is_that_of_the_published_levels() {
        let hlg = |number: f64| BRIGHTEST * Curve::Hlg.light(number).powf(1.2);
        let pq = |number: f64| WHITE * Curve::Pq.light(number);
        for (light, of_hlg, of_pq, within) in
            [(203.0, 0.75, 0.58, 4.0), (179.0, 0.73, 0.57, 8.0), (26.0, 0.38, 0.38, 1.0), (0.0, 0.0, 0.0, 1e-9)]
        {
            assert!((hlg(of_hlg) - light).abs() <= within, "HLG {of_hlg}: {}", hlg(of_hlg));
            assert!((pq(of_pq) - light).abs() <= within, "PQ {of_pq}: {}", pq(of_pq));
        }
        assert!((hlg(1.0) - 1000.0).abs() < 0.1 && (pq(1.0) - 10_000.0).abs() < 0.1);
    }

    #[test]
    fn white_is_shown_as_white_grey_as_grey_and_brighter_keeps_its_order() {
        for (transfer, white, grey) in [(TransferCharacteristic::ARIB_STD_B67, 0.75, 0.38), (TransferCharacteristic::SMPTE2084, 0.58, 0.38)]
        {
            assert!((238..=248).contains(&shown(transfer, white)), "{transfer:?}: {}", shown(transfer, white));
            // 26 of 203 cd/m² on a screen of gamma 2.4
            assert!((106..=110).contains(&shown(transfer, grey)), "{transfer:?}: {}", shown(transfer, grey));
            assert_eq!(shown(transfer, 0.0), 0);
            let levels: Vec<u8> = (0..=20).map(|i| shown(transfer, f64::from(i) / 20.0)).collect();
            assert!(levels.is_sorted() && *levels.last().unwrap() >= 254, "{levels:?}");
        }
    }

    #[test]
    fn the_usual_range_is_left_alone() {
        for transfer in [TransferCharacteristic::BT709, TransferCharacteristic::Unspecified, TransferCharacteristic::BT2020_10] {
            assert!(ToUsual::of(transfer, Space::BT2020NCL).is_none());
        }
    }

    #[test]
    fn colours_made_one_way_and_back_are_the_same() {
        let (there, back) = (remade(&BT601, &BT2020), remade(&BT2020, &BT601));
        let pixel = [200.0, 40.0, 90.0];
        let again = times(&back, times(&there, pixel));
        assert!(again.iter().zip(pixel).all(|(a, b)| (a - b).abs() < 0.01), "{again:?}");
        assert!((times(&there, pixel)[0] - pixel[0]).abs() > 5.0, "and differ between");
    }
}

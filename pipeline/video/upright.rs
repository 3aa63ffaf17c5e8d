//! How a coded picture becomes the one to be shown: its pixels made square, turned and mirrored as the container asks.

use opencv::core::{self, Mat};

/// One of the eight ways to lay a picture on its grid: exchanged rows and columns first, then flips.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Turn {
    /// Rows become columns.
    pub transposed: bool,
    /// Left becomes right.
    pub flipped_x: bool,
    /// Top becomes bottom.
    pub flipped_y: bool,
}

impl Turn {
    /// The nearest of the eight to a display matrix of the ISO container (14496-12): row-major a b u, c d v, x y w in fixed point,
    /// which puts the pixel (p, q) at (a·p + c·q, b·p + d·q).
    pub fn of_matrix(m: &[i64; 9]) -> Turn {
        let (a, b, c, d) = (m[0], m[1], m[3], m[4]);
        if b.abs().max(c.abs()) > a.abs().max(d.abs()) {
            Turn { transposed: true, flipped_x: c < 0, flipped_y: b < 0 }
        } else {
            Turn { transposed: false, flipped_x: a < 0, flipped_y: d < 0 }
        }
    }

    /// Whether left and right are exchanged, whatever the turn.
    pub fn mirrored(self) -> bool {
        self.transposed ^ self.flipped_x ^ self.flipped_y
    }

    /// Clockwise turn, degrees: of the picture as it is, or where it is mirrored, of the picture mirrored left to right before.
    pub fn rotation_deg(self) -> u32 {
        match (self.transposed, self.flipped_y, self.mirrored()) {
            (false, false, _) => 0,
            (false, true, _) => 180,
            (true, false, false) | (true, true, true) => 90,
            (true, true, false) | (true, false, true) => 270,
        }
    }

    /// This, then so many quarters of a turn more, clockwise.
    pub fn then_quarters(self, quarters: u32) -> Turn {
        (0..quarters % 4).fold(self, |t, _| Turn { transposed: !t.transposed, flipped_x: !t.flipped_y, flipped_y: t.flipped_x })
    }

    /// Turns `coded` into `shown`; whether there was anything to do.
    pub fn apply(self, coded: &Mat, shown: &mut Mat) -> opencv::Result<bool> {
        let how = match (self.transposed, self.flipped_x, self.flipped_y) {
            (false, false, false) => return Ok(false),
            (false, true, true) => core::ROTATE_180,
            (true, true, false) => core::ROTATE_90_CLOCKWISE,
            (true, false, true) => core::ROTATE_90_COUNTERCLOCKWISE,
            (false, x, _) => {
                core::flip(coded, shown, i32::from(x))?;
                return Ok(true);
            }
            (true, x, _) => {
                let mut straight = Mat::default();
                core::transpose(coded, &mut straight)?;
                if x {
                    core::flip(&straight, shown, -1)?;
                } else {
                    *shown = straight;
                }
                return Ok(true);
            }
        };
        core::rotate(coded, shown, how)?;
        Ok(true)
    }
}

/// Pixels wider or narrower than this are no phone's.
const PIXEL_ASPECTS: std::ops::RangeInclusive<f64> = 0.25..=4.0;
/// Pixels this nearly square are taken as square.
const SQUARE: f64 = 0.005;

/// Width ÷ height of a pixel from `ffprobe`'s "99:74"; 1 where nothing is said ("0:1", "N/A"). `None` where it is absurd.
pub fn pixel_aspect(text: Option<&str>) -> Option<f64> {
    let parsed = text.and_then(|t| t.split_once(':')).and_then(|(w, h)| Some((w.parse::<f64>().ok()?, h.parse::<f64>().ok()?)));
    match parsed {
        None => Some(1.0),
        Some((w, h)) if w == 0.0 || h == 0.0 => Some(1.0),
        Some((w, h)) if ((w / h) - 1.0).abs() < SQUARE => Some(1.0),
        Some((w, h)) => Some(w / h).filter(|a| PIXEL_ASPECTS.contains(a)),
    }
}

/// Size of the picture with square pixels: the side that is short of pixels is stretched, nothing is thrown away.
pub fn square_size(width: u32, height: u32, aspect: f64) -> (u32, u32) {
    if aspect >= 1.0 { ((f64::from(width) * aspect).round() as u32, height) } else { (width, (f64::from(height) / aspect).round() as u32) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use opencv::core::{MatTraitConst, MatTraitConstManual};

    #[test]
    fn every_way_is_a_mirror_and_a_turn() {
        let m = Mat::from_slice_2d(&[[1u8, 2, 3], [4, 5, 6]]).unwrap();
        for way in 0..8 {
            let turn = Turn { transposed: way & 1 > 0, flipped_x: way & 2 > 0, flipped_y: way & 4 > 0 };
            let (mut shown, mut first, mut then) = (Mat::default(), m.clone(), Mat::default());
            if !turn.apply(&m, &mut shown).unwrap() {
                shown = m.clone();
            }
            if turn.mirrored() {
                core::flip(&m, &mut first, 1).unwrap();
            }
            match turn.rotation_deg() {
                90 => core::rotate(&first, &mut then, core::ROTATE_90_CLOCKWISE).unwrap(),
                180 => core::rotate(&first, &mut then, core::ROTATE_180).unwrap(),
                270 => core::rotate(&first, &mut then, core::ROTATE_90_COUNTERCLOCKWISE).unwrap(),
                _ => then = first,
            }
            let rows = |m: &Mat| (0..m.rows()).map(|r| m.at_row::<u8>(r).unwrap().to_vec()).collect::<Vec<_>>();
            assert_eq!(rows(&shown), rows(&then), "{turn:?}");
        }
    }

    #[test]
    fn a_quarter_more_is_the_turned_picture_turned() {
        let m = Mat::from_slice_2d(&[[1u8, 2, 3], [4, 5, 6]]).unwrap();
        let rows = |m: &Mat| (0..m.rows()).map(|r| m.at_row::<u8>(r).unwrap().to_vec()).collect::<Vec<_>>();
        let shown = |t: Turn| {
            let mut out = Mat::default();
            if t.apply(&m, &mut out).unwrap() { out } else { m.clone() }
        };
        for way in 0..8 {
            let turn = Turn { transposed: way & 1 > 0, flipped_x: way & 2 > 0, flipped_y: way & 4 > 0 };
            let mut expected = shown(turn);
            for quarters in 0..4 {
                assert_eq!(rows(&shown(turn.then_quarters(quarters))), rows(&expected), "{turn:?} and {quarters}");
                let mut next = Mat::default();
                core::rotate(&expected, &mut next, core::ROTATE_90_CLOCKWISE).unwrap();
                expected = next;
            }
        }
    }

    #[test]
    fn aspects_are_read_and_absurd_ones_refused() {
        assert_eq!(pixel_aspect(None), Some(1.0));
        assert_eq!(pixel_aspect(Some("0:1")), Some(1.0));
        assert_eq!(pixel_aspect(Some("N/A")), Some(1.0));
        assert_eq!(pixel_aspect(Some("4:3")), Some(4.0 / 3.0));
        assert_eq!(pixel_aspect(Some("1:50")), None);
        assert_eq!(square_size(404, 960, 99.0 / 74.0), (540, 960));
        assert_eq!(square_size(540, 720, 0.75), (540, 960));
    }
}

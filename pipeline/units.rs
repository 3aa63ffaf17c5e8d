//! Units that cross module borders. Inside a function plain `f64` with the unit in its name is fine;
//! a public type carries one of these. Arithmetic exists only where it makes sense.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::{Add, Sub};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
        #[serde(transparent)]
        pub struct $name(pub f64);
        impl Add for $name {
            type Output = $name;
            fn add(self, other: $name) -> $name { $name(self.0 + other.0) }
        }
        impl Sub for $name {
            type Output = $name;
            fn sub(self, other: $name) -> $name { $name(self.0 - other.0) }
        }
    };
}

unit!(
    /// Seconds of clip time, zero at the first shown frame.
    Seconds
);
unit!(
    /// Pixels of the upright picture.
    Px
);
unit!(
    /// Centimetres at the golfer's distance.
    Cm
);
unit!(
    /// Degrees in the picture plane.
    Degrees
);
unit!(
    /// Cycles a second.
    Hz
);
unit!(
    /// Centimetres at the golfer's distance for one pixel of the upright picture.
    CmPerPx
);

/// Number of a shown frame, from 0, in presentation order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct FrameIndex(pub usize);

impl CmPerPx {
    /// A length in the picture as centimetres.
    pub fn of(self, px: Px) -> Cm {
        Cm(self.0 * px.0)
    }
}

//! A quantity: its value and interval, or why there is none.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A measured quantity, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Metric {
    Value(Measured),
    Missing {
        /// Always null.
        value: Option<f64>,
        why: String,
        /// What the coach measured, where that decides the clip.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by_hand: Option<ByHand>,
    },
}

/// A value with its 95 % interval and the frames it was read from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    pub value: f64,
    pub unit: String,
    pub low: f64,
    pub high: f64,
    pub frames: Vec<usize>,
    pub from: From,
    /// What the program says by itself, where the coach adopted an error of the own footage (`dawnsheet ruler adopt`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub built_in: Option<Estimate>,
    /// What the coach measured, where that decides the clip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_hand: Option<ByHand>,
}

/// A value that the coach measured by hand, in the metric's unit, with its 95 % interval and the points it was read from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ByHand {
    pub value: f64,
    pub low: f64,
    pub high: f64,
    /// By what was pointed at.
    pub marks: BTreeMap<String, HandMark>,
}

/// A point set by hand: seconds of clip time of its picture, pixels of the upright picture as filmed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HandMark {
    pub time_s: f64,
    pub x: f64,
    pub y: f64,
}

/// What a value was read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum From {
    KeyPoint,
    Outline,
    Both,
}

impl Metric {
    /// The measured value, where there is one.
    pub fn measured(&self) -> Option<&Measured> {
        match self {
            Metric::Value(m) => Some(m),
            Metric::Missing { .. } => None,
        }
    }

    /// The value that counts: the coach's own where that decides the clip, else the program's.
    pub fn counting(&self) -> Option<Measured> {
        let m = self.measured()?.clone();
        Some(match &m.by_hand {
            Some(hand) => Measured { value: hand.value, low: hand.low, high: hand.high, ..m },
            None => m,
        })
    }

    /// What the coach measured, where that decides the clip.
    pub fn by_hand(&self) -> Option<&ByHand> {
        match self {
            Metric::Value(m) => m.by_hand.as_ref(),
            Metric::Missing { by_hand, .. } => by_hand.as_ref(),
        }
    }

    /// Why there is no value.
    pub fn why(&self) -> Option<&str> {
        match self {
            Metric::Value(_) => None,
            Metric::Missing { why, .. } => Some(why),
        }
    }
}

/// A value with its 95 % interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

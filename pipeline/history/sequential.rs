//! A test of order that may be looked at after every new value, for as long as one likes, and a correction over several
//! quantities of one person.

use serde::Serialize;

/// How hard each bet leans on the newest value's rank; the wealth is shared evenly among them. Chosen on simulated students:
/// a light bet for slow changes in a long history, a heavy one for a short history in perfect order.
const LEANINGS: [f64; 3] = [1.0, 4.0, 16.0];

/// Probabilities that hold at every look: if nothing changes, the chance that one of them is *ever* p or less is at most p.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AnyTime {
    /// Against later values being larger.
    pub rising: f64,
    /// Against later values being smaller.
    pub falling: f64,
}

impl AnyTime {
    /// Against either.
    pub fn two_sided(&self) -> f64 {
        (2.0 * self.rising.min(self.falling)).min(1.0)
    }

    /// Whether the stronger evidence is for a rise.
    pub fn is_rise(&self) -> bool {
        self.rising < self.falling
    }
}

/// Tests whether values in time order could stand in any order.
///
/// If they could, the rank of each new value among those so far is uniform on 1…n and independent of the earlier ranks
/// (Rényi 1962). So one bets on it: from 1, wealth is multiplied by e^(λx)·n/Σe^(λx), x = (2·rank − n − 1)/n, whose mean is 1,
/// and its largest value so far reaches 1/p with a chance of at most p, however often one looks (Ville 1939; the test of
/// exchangeability on-line of Vovk, Nouretdinov & Gammerman 2003). Of equal values the new one is ranked against the bet,
/// which can only lessen the wealth. Nothing is assumed of how the values scatter.
pub fn sequential_ranks(y: &[f64]) -> AnyTime {
    let p = |ranks: &dyn Fn(usize) -> usize| {
        let mut wealth = LEANINGS.map(|_| 1.0 / LEANINGS.len() as f64);
        let mut largest = 1.0_f64;
        for i in 1..y.len() {
            let (n, rank) = ((i + 1) as f64, ranks(i) as f64);
            for (w, lean) in wealth.iter_mut().zip(LEANINGS) {
                // Σ over all ranks of e^(λx) is a geometric series
                *w *= (lean * (2.0 * rank - n - 1.0) / n).exp() * n * (lean / n).sinh() / lean.sinh();
            }
            largest = largest.max(wealth.iter().sum());
        }
        1.0 / largest
    };
    AnyTime {
        rising: p(&|i| 1 + y[..i].iter().filter(|v| **v < y[i]).count()),
        falling: p(&|i| 1 + y[..i].iter().filter(|v| **v > y[i]).count()),
    }
}

/// Probabilities corrected for being `of` in number (at least as many as given; missing ones count as 1), in the same order:
/// the chance of one false finding among them all is at most the level that they are held against (Holm 1979).
pub fn holm(p: &[f64], of: usize) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut corrected = vec![1.0; p.len()];
    let mut last = 0.0_f64;
    for (place, i) in order.into_iter().enumerate() {
        last = last.max((of.max(p.len()) - place) as f64 * p[i]).min(1.0);
        corrected[i] = last;
    }
    corrected
}

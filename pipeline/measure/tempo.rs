//! Time back, time down, and their ratio.

use super::{Context, Outcome};

/// Real-time seconds (clip time ÷ playback factor) and the ratio, which slow motion does not change.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let m = &ctx.swing.moments;
    let slowness = ctx.swing.slowness;
    let between = |a, b, a_name: &str, b_name: &str| {
        let (a, b) = (ctx.moment(a, a_name)?, ctx.moment(b, b_name)?);
        let span = b.time - a.time;
        if span <= 0.0 {
            return Err("its events are out of order".to_string());
        }
        let frame = |t: f64| ctx.swing.track.frames[ctx.swing.track.nearest(t)];
        Ok((span, a.sd.hypot(b.sd), vec![frame(a.time), frame(b.time)]))
    };
    let back = between(m.takeaway, m.top, "the takeaway", "the top");
    let down = between(m.top, m.impact, "the top", "impact");
    // an estimated slow motion leaves durations uncertain by a quarter
    let doubt = |span: f64| if ctx.swing.slowness_estimated() { 0.25 * span / slowness } else { 0.0 };
    let duration = |name: &'static str, d: &Result<(f64, f64, Vec<usize>), String>| {
        let outcome =
            d.clone().and_then(|(span, sd, frames)| ctx.reading(name, span / slowness, (sd / slowness).hypot(doubt(span)), frames, false));
        (name, outcome)
    };
    let ratio = back.clone().and_then(|(b, b_sd, mut frames)| {
        let (d, d_sd, more) = down.clone()?;
        frames.extend(more);
        frames.dedup();
        let ratio = b / d;
        ctx.reading("tempo_ratio", ratio, ratio * (b_sd / b).hypot(d_sd / d), frames, false)
    });
    vec![duration("backswing_s", &back), duration("downswing_s", &down), ("tempo_ratio", ratio)]
}

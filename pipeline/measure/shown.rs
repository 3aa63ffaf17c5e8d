//! What the key pictures draw: the very places that the numbers were read from, at the frame that speaks for them.

use super::head::head_places;
use super::posture::facing;
use super::{Context, Quantities, elbow, outline};
use crate::report::types::{Shown, ViewKind};
use crate::swing::Part;
use crate::swing::body::middle;
use crate::track::as_filmed;
use crate::track::signal::median;
use std::collections::BTreeMap;

/// A frame this far from an event shows something else, seconds of real time.
const NEAR: f64 = 0.05;
/// A shoe is about this much wider than its key points, where its outline is not seen (common practice, no source).
const SHOE_CM: f64 = 4.0;

/// By key picture; what was not measured is not drawn.
pub fn shown(ctx: &Context, quantities: &Quantities) -> BTreeMap<String, Shown> {
    let mut all = BTreeMap::new();
    let read = |name: &str| quantities.get(name).and_then(|q| q.as_ref().ok());
    let moments = &ctx.swing.moments;
    let still = &ctx.swing.key_still;
    if let Some(&row) = still.get(still.len() / 2) {
        let mut page = Page::at(ctx, row);
        page.head(row).trunk();
        if read("shoulder_tilt_address_deg").is_some() {
            page.still("lead_shoulder", Part::Shoulder, true).still("trail_shoulder", Part::Shoulder, false);
        }
        page.foot().ball();
        if let (Some(_), Some(ball)) = (read("head_behind_ball_address_cm"), &ctx.swing.ball) {
            page.edge("ball_plumb", ball.x);
        }
        all.insert("address".to_string(), page.shown);
    }
    if let Some(travel) = read("trail_hip_travel_cm") {
        let edges = outline::hip_edges(ctx).ok();
        let frame = edges.as_ref().map(|e| e.frame).or(travel.frames.first().copied());
        if let Some(row) = frame.and_then(|f| ctx.body.track.frames.iter().position(|x| *x == f)) {
            let mut page = Page::at(ctx, row);
            page.foot().point("trail_hip", ctx.body.track.at(row, ctx.body.trail(Part::Hip)));
            page.shown.sure = edges.is_some();
            if let Some(e) = edges {
                page.edge("hip_edge_home", e.home_x).edge("hip_edge", e.edge_x);
            }
            all.insert("hip_furthest".to_string(), page.shown);
        }
    }
    if let Some(row) =
        read("head_lateral_max_back_cm").and_then(|r| r.frames.first()).and_then(|f| ctx.body.track.frames.iter().position(|x| x == f))
    {
        let mut page = Page::at(ctx, row);
        page.head(row);
        all.insert("head_furthest".to_string(), page.shown);
    }
    for (name, moment) in [("top", moments.top), ("impact", moments.impact)] {
        let Some(m) = moment else { continue };
        let row = ctx.body.track.nearest(m.time);
        if (ctx.body.track.times[row] - m.time).abs() > NEAR * ctx.swing.slowness {
            continue;
        }
        let mut page = Page::at(ctx, row);
        page.head(row).trunk();
        all.insert(name.to_string(), page.shown);
    }
    for (name, arm) in elbow::shown(ctx) {
        // the head at impact is read from another frame, at most a few hundredths of a second away: the arm decides
        let head = all.remove(name).filter(|page: &Shown| page.frame == arm.frame);
        let mut arm = arm;
        arm.places.extend(head.map(|page| page.places).unwrap_or_default());
        all.insert(name.to_string(), arm);
    }
    all
}

/// One picture's places, as they are put together.
struct Page<'a, 'b> {
    ctx: &'a Context<'b>,
    row: usize,
    shown: Shown,
}

impl<'a, 'b> Page<'a, 'b> {
    fn at(ctx: &'a Context<'b>, row: usize) -> Page<'a, 'b> {
        Page { ctx, row, shown: Shown { frame: ctx.body.track.frames[row], sure: true, ..Shown::default() } }
    }

    /// A steadied place of this or another frame, as it lies in this picture as filmed.
    fn filmed(&self, p: [f64; 2]) -> [f64; 2] {
        let about = &self.ctx.seen.about;
        as_filmed(p, &self.ctx.body.track.camera[self.row], [f64::from(about.width), f64::from(about.height)])
    }

    fn point(&mut self, name: &str, steadied: [f64; 2]) -> &mut Self {
        let p = self.filmed(steadied);
        if p.iter().all(|v| v.is_finite()) {
            self.shown.places.insert(name.into(), p.map(tenths));
        }
        self
    }

    fn edge(&mut self, name: &str, steadied_x: f64) -> &mut Self {
        let hip = self.ctx.body.track.at(self.row, self.ctx.body.trail(Part::Hip));
        let x = self.filmed([steadied_x, hip[1]])[0];
        if x.is_finite() {
            self.shown.edges.insert(name.into(), tenths(x));
        }
        self
    }

    /// Median place of a part over the still frames.
    fn still(&mut self, name: &str, part: Part, lead: bool) -> &mut Self {
        let body = &self.ctx.body;
        let key = if lead { body.lead(part) } else { body.trail(part) };
        let of = |axis: usize| median(&self.ctx.swing.key_still.iter().map(|&i| body.track.at(i, key)[axis]).collect::<Vec<_>>());
        self.point(name, [of(0), of(1)])
    }

    /// The head in this frame and at address, where it is measured.
    fn head(&mut self, row: usize) -> &mut Self {
        if let Some((home, now)) = head_places(self.ctx, row) {
            self.point("head_home", home).point("head", now);
        }
        self
    }

    /// The ball that was struck: its middle, and its rim beside it.
    fn ball(&mut self) -> &mut Self {
        match &self.ctx.swing.ball {
            Some(b) => self.point("ball", [b.x, b.y]).point("ball_rim", [b.x + b.width / 2.0, b.y]),
            None => self,
        }
    }

    /// Down the line: the line whose bend is measured, and the seat at address, against which the pelvis is.
    fn trunk(&mut self) -> &mut Self {
        if self.ctx.swing.view.kind == ViewKind::DownTheLine {
            let body = &self.ctx.body;
            if let Some(seat) = outline::seat(self.ctx, facing(body.lead)) {
                self.edge("seat_home", seat);
            }
            let mid = |part| middle(body.track.at(self.row, body.lead(part)), body.track.at(self.row, body.trail(part)));
            let (hip, shoulder) = (mid(Part::Hip), mid(Part::Shoulder));
            self.point("mid_hip", hip).point("mid_shoulder", shoulder);
        }
        self
    }

    /// The outside of the trail foot at address, where a slide of the hip is measured against it.
    fn foot(&mut self) -> &mut Self {
        let (ctx, body) = (self.ctx, &self.ctx.body);
        if ctx.face_on().is_err() {
            return self;
        }
        let by_outline = outline::hip_edges(ctx).ok().and_then(|e| e.foot_x);
        let out = -body.toward;
        let furthest = |i: usize| {
            [Part::Ankle, Part::Heel, Part::Toe].iter().map(|&p| out * body.track.at(i, body.trail(p))[0]).fold(f64::NEG_INFINITY, f64::max)
        };
        match by_outline.or_else(|| ctx.at_address(furthest).ok().map(|(edge, _)| out * (edge + ctx.px(SHOE_CM)))) {
            Some(x) => self.edge("foot_edge", x),
            None => self,
        }
    }
}

fn tenths(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

//! Names, units and wording of every metric, in the order in which a coach reads them.

/// A metric as printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MetricName {
    pub name: &'static str,
    pub unit: &'static str,
    pub words: &'static str,
}

macro_rules! metrics {
    ($($name:literal, $unit:literal, $words:literal;)*) => {
        /// All metrics.
        pub const ALL: &[MetricName] = &[$(MetricName { name: $name, unit: $unit, words: $words }),*];
    };
}

metrics! {
    "trail_hip_travel_cm", "cm", "trail hip slides away from the target";
    "trail_hip_move_at_furthest_cm", "cm", "trail hip where it is furthest from the target (negative: toward the target)";
    "hip_edge_travel_cm", "cm", "outer edge of the hip slides away from the target";
    "trail_hip_travel_pct_stance", "%", "the same as a share of the stance";
    "pelvis_travel_cm", "cm", "middle of the pelvis slides away from the target";
    "pelvis_shift_impact_cm", "cm", "middle of the pelvis at impact (negative: toward the target)";
    "trail_hip_inside_foot_cm", "cm", "trail hip joint inside the trail foot";
    "hip_edge_inside_foot_cm", "cm", "hip's outer edge inside the trail foot's";
    "head_lateral_top_cm", "cm", "head moves away from the target, at the top";
    "head_lateral_impact_cm", "cm", "head moves away from the target, at impact";
    "head_lateral_max_back_cm", "cm", "head moves away from the target, most in the backswing";
    "head_vertical_top_cm", "cm", "head rises, at the top";
    "head_vertical_impact_cm", "cm", "head rises, at impact";
    "lead_elbow_bow_late_upper_arms", "upper arms", "lead elbow outward of the line shoulder to grip";
    "lead_elbow_flexion_impact_deg", "deg", "lead elbow bend at impact";
    "lead_elbow_flexion_half_deg", "deg", "lead elbow bend at half follow-through";
    "lead_elbow_flexion_late_deg", "deg", "lead elbow bend late, up to chest high";
    "lead_elbow_flexion_max_deg", "deg", "lead elbow bend, largest up to chest high";
    "lead_elbow_separation_impact_cm", "cm", "lead elbow off the trunk line at impact";
    "lead_elbow_separation_half_cm", "cm", "lead elbow off the trunk line at half follow-through";
    "lead_elbow_separation_max_cm", "cm", "lead elbow off the trunk line, largest";
    "lead_elbow_separation_max_upper_arms", "upper arms", "the same in upper-arm lengths";
    "lead_hand_above_elbow_half_cm", "cm", "lead hand above the elbow at half follow-through";
    "lead_hand_above_elbow_chest_cm", "cm", "lead hand above the elbow, chest high";
    "stance_width_cm", "cm", "stance width, ankle to ankle";
    "shoulder_tilt_address_deg", "deg", "trail shoulder lower at address";
    "hip_tilt_address_deg", "deg", "trail hip lower at address";
    "spine_tilt_address_deg", "deg", "trunk tilts away from the target at address";
    "spine_tilt_top_deg", "deg", "trunk tilts away from the target at the top";
    "head_behind_centre_address_cm", "cm", "head behind the middle of the stance";
    "pelvis_toward_target_address_cm", "cm", "pelvis ahead of the middle of the stance";
    "head_behind_ball_address_cm", "cm", "head behind the ball at address";
    "ball_in_stance_pct", "%", "ball in the stance, from the trail heel (0) to the lead heel (100)";
    "hands_ahead_of_ball_address_cm", "cm", "hands ahead of the ball at address";
    "hands_ahead_of_ball_impact_cm", "cm", "hands ahead of the ball at impact";
    "ball_distance_toes_cm", "cm", "ball away from the toes (down the line)";
    "trail_knee_inside_address_cm", "cm", "trail knee inside the line ankle to hip";
    "backswing_s", "s", "time back";
    "downswing_s", "s", "time down";
    "tempo_ratio", "ratio", "time back to time down";
    "spine_bend_address_deg", "deg", "trunk bends forward at address (down the line)";
    "spine_bend_change_top_deg", "deg", "the bend changes by the top (down the line)";
    "spine_bend_change_impact_deg", "deg", "the bend changes by impact (down the line)";
    "pelvis_toward_ball_impact_cm", "cm", "pelvis moves toward the ball by impact (down the line)";
    "head_toward_ball_top_cm", "cm", "head moves toward the ball by the top (down the line)";
    "head_toward_ball_impact_cm", "cm", "head moves toward the ball by impact (down the line)";
    "trail_knee_bend_address_deg", "deg", "trail knee bends at address (down the line)";
    "trail_knee_bend_change_top_deg", "deg", "the trail knee's bend changes by the top (down the line)";
    "hands_height_address_cm", "cm", "hands above the toes at address (down the line)";
}

/// A metric by name.
pub fn find(name: &str) -> Option<&'static MetricName> {
    ALL.iter().find(|m| m.name == name)
}

/// Whether a metric cannot be negative: its interval ends at 0.
pub fn never_negative(name: &str) -> bool {
    name.contains("flexion") || name.contains("_travel_") || name == "stance_width_cm" || name == "tempo_ratio" || name.ends_with("swing_s")
}

"""What the numbers of one swing cannot say at once, whatever the truth."""

ORDER = ("takeaway", "lead_arm_level_back", "top", "lead_arm_level_down", "impact", "half_follow_through", "chest_high_follow_through", "finish")
LARGEST = {
    "head_lateral_max_back_cm": ("head_lateral_top_cm",),
    "lead_elbow_flexion_max_deg": ("lead_elbow_flexion_impact_deg", "lead_elbow_flexion_half_deg"),
    "lead_elbow_separation_max_cm": ("lead_elbow_separation_impact_cm", "lead_elbow_separation_half_cm"),
}


def contradictions(swing):
    """Sentences, none where a swing of a report agrees with itself."""
    found = []
    told = {name: m for name, m in swing["metrics"].items() if m.get("value") is not None}
    value = {name: m["value"] for name, m in told.items()}
    for name, m in told.items():
        if not m["low"] <= m["value"] <= m["high"]:
            found.append(f"{name} lies outside its own interval")
    for largest, parts in LARGEST.items():
        for part in parts:
            if largest in value and part in value and value[part] > value[largest] + 1e-6:
                found.append(f"{part} is more than {largest}")
    if {"trail_hip_travel_cm", "trail_hip_move_at_furthest_cm"} <= value.keys():
        if abs(value["trail_hip_travel_cm"] - max(0.0, value["trail_hip_move_at_furthest_cm"])) > 1e-6:
            found.append("the hip's slide is not its move")
    if {"trail_hip_travel_cm", "trail_hip_travel_pct_stance", "stance_width_cm"} <= value.keys():
        if abs(value["trail_hip_travel_pct_stance"] - 100 * value["trail_hip_travel_cm"] / value["stance_width_cm"]) > 0.1:
            found.append("the hip's share of the stance is another")
    if {"tempo_ratio", "backswing_s", "downswing_s"} <= value.keys():
        if abs(value["tempo_ratio"] / (value["backswing_s"] / value["downswing_s"]) - 1) > 0.02:
            found.append("the tempo is not the ratio of its times")
    # hands are chest high before or after the arms are half through, by how flat they swing
    times = [(name, swing["events"][name]["time_s"]) for name in ORDER if swing["events"].get(name) and name != "half_follow_through"]
    found += [f"{b} comes before {a}" for (a, s), (b, t) in zip(times, times[1:]) if t < s]
    return found

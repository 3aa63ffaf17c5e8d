use dawnsheet::*;
fn main() -> anyhow::Result<()> {
    let a: Vec<String> = std::env::args().collect();
    let seen = pose::seen::Seen::read(std::path::Path::new(&a[1]))?;
    println!("{:?} body {} outl {} arms {}", seen.about, seen.body.frames.len(), seen.outlines.len(), seen.arms.len());
    for s in swing::read_swings(&seen, a[2].parse()?, None) {
        println!("{:?}\n view {:?} lead {:?} toward {} cm/px {:.4} leg_px {:.1} still {} slow {}", s.window, s.view, s.lead, s.toward, s.cm_per_px, swing::scale::leg_px(&s.body(), &s.still), s.still.len(), s.slowness);
        println!(" {:?}", s.moments);
    }
    Ok(())
}

use dawnsheet::*;
fn main() -> anyhow::Result<()> {
    let a: Vec<String> = std::env::args().collect();
    let seen = pose::seen::Seen::read(std::path::Path::new(&a[1]))?;
    let settings = settings::Settings::default();
    let budget = measure::budget::Budget::built_in();
    for s in swing::read_swings(&seen, a[2].parse()?, None) {
        println!("{:?}", s.view);
        let ctx = measure::Context { seen: &seen, swing: &s, body: s.body(), settings: &settings, budget: &budget, scale_sd: 0.03, widen: 1.0 };
        let q = measure::measure(&ctx);
        for m in measure::names::ALL { match &q[m.name] { Ok(r) => println!("{} {:.3} +- {:.3} {:?}", m.name, r.value, 1.96 * r.sd, r.from), Err(e) => println!("{} null {}", m.name, e) } }
    }
    Ok(())
}

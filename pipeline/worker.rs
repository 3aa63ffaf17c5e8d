use dawnsheet::*;
fn main() -> anyhow::Result<()> {
    let a: Vec<String> = std::env::args().collect();
    let s = settings::Settings::default();
    let path = std::path::Path::new(&a[1]);
    let probe = video::probe(path, &s)?.map_err(|r| anyhow::anyhow!("{r:?}"))?;
    let models = pose::models::Models::locate();
    let o = pose::observe::observe(path, &probe, &models, pose::models::ModelChoice::Accurate)?.map_err(|r| anyhow::anyhow!("{r:?}"))?;
    eprintln!("{:?}", o.timings);
    o.seen.write(std::path::Path::new(&a[2]))?;
    Ok(())
}

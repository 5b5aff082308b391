#![allow(missing_docs)]
use plumbtone::{
    evidence,
    plan::Plan,
    run::{self, Run},
};
fn main() {
    let plan = match std::env::args().nth(1) {
        Some(p) => Plan::read(p.as_ref()),
        None => Plan::built_in(),
    }
    .unwrap();
    let progress = |d: usize, t: usize| {
        if d.is_multiple_of(500) {
            eprintln!("{d}/{t}")
        }
    };
    let mut r = Run::new(plan.title(), plan.checks().unwrap());
    r.progress = Some(&progress);
    let (results, timing) = run::run(&r).unwrap();
    for f in results.worst_first() {
        let c = f.worst_case().unwrap();
        println!(
            "{:10} {:5} {:8} {} x{:.3} | {}",
            f.subject,
            f.twin.map_or("", |t| t.name()),
            f.shape,
            f.rate_hz,
            f.closeness(),
            evidence::sentence(f, c)
        );
    }
    println!("{:?}", timing);
}

//! The four kinds of chart the bench draws, with made-up data:
//! `cargo run -p plumbtone-plot --example house_style -- DIRECTORY`.

use std::path::PathBuf;

use plumbtone_plot::{
    Axis, Chart, Ink, Legend, Line, Mark, Marker, Series, Shape, Sheet, Size, Style,
};

/// Noise for the eye, -1 to 1.
fn noise(i: usize) -> f64 {
    let mixed = (i as u32).wrapping_add(1).wrapping_mul(2_654_435_761);
    let mixed = (mixed ^ (mixed >> 15)).wrapping_mul(2_246_822_519);
    f64::from((mixed ^ (mixed >> 13)) as i32) / f64::from(i32::MAX)
}

fn spectrum() -> Chart {
    let (rate_khz, f0_khz) = (44.1, 1.661);
    let level = |k: f64| 20.0 * (1.0 / k).log10();
    let droop = |k: f64| 40.0 * (k * f0_khz / rate_khz * 3.2).cos().abs().max(1e-3).log10() / 4.0;
    let harmonics: Vec<_> =
        (1..=13).map(f64::from).map(|k| (k * f0_khz, level(k) + droop(k))).collect();
    let aliases: Vec<_> = (14..400)
        .map(|k| {
            let f = (f64::from(k) * f0_khz).rem_euclid(rate_khz);
            let level = 3.0 * level(f64::from(k)) + 8.0 * noise(k as usize);
            (f.min(rate_khz - f), level)
        })
        .collect();
    let theory = harmonics.iter().chain(aliases.iter().take(40)).copied().collect();
    Chart::new(
        "Spectrum of the corrected ramp, key A6",
        Axis::linear("Frequency", "kHz").range(0.0, 22.05),
        Axis::linear("Level", "dBc").range(-160.0, 0.0),
    )
    .note("fixed twin, 1661 Hz at 44.1 kHz, 65536 samples, coprime bins")
    .with(
        Series::stems("alias lines", aliases, -160.0, Some(Marker::open(Shape::Circle).size(4.5)))
            .thickness(0.75)
            .ink(Ink::Sky),
    )
    .with(
        Series::stems("harmonics", harmonics, -160.0, Some(Marker::filled(Shape::Circle)))
            .thickness(2.0)
            .ink(Ink::Blue),
    )
    .with(Series::markers("theory", theory, Marker::open(Shape::Cross).size(11.0)).ink(Ink::Rust))
}

fn tuning() -> Chart {
    let keys = || (21..=108).map(f64::from);
    let band: Vec<_> = keys().map(|k| (k, -limit(k), limit(k))).collect();
    let float = keys().map(|k| (k, 0.02 * noise(k as usize))).collect();
    let fixed = keys().map(|k| (k, 0.7 * limit(k) * noise(k as usize + 500))).collect();
    Chart::new(
        "Pitch against key",
        Axis::keys("Key").range(21.0, 108.0),
        Axis::linear("Deviation", "cents"),
    )
    .note("equal temperament, A4 = 440 Hz; 32-bit phase, 12-bit converter")
    .with(Series::band("limit", &band))
    .with(Series::line("float twin", float).ink(Ink::Blue))
    .with(Series::markers("fixed twin", fixed, Marker::open(Shape::Square)).ink(Ink::Rust))
    .mark(Mark::vertical(60.0, "middle C"))
}

fn limit(key: f64) -> f64 {
    0.2 + 1.2 * ((60.0 - key) / 30.0).exp2() / 2.0
}

fn aliasing() -> Chart {
    let names = [
        "naive",
        "two-point polynomial",
        "four-point polynomial",
        "differentiated, order 2",
        "differentiated, order 3",
        "differentiated, order 4",
        "step table",
        "wavetable",
    ];
    let axis = Axis::linear("Alias to signal", "dB");
    let chart = Chart::new("Aliasing against key", Axis::keys("Key").range(21.0, 108.0), axis)
        .note("ramp, 44.1 kHz, whole band")
        .mark(Mark::horizontal(-60.0, "limit −60 dB"))
        .legend(Legend::LineEnds);
    names.iter().enumerate().fold(chart, |chart, (i, name)| {
        let slope = 3.0 + 1.2 * i as f64;
        let points = (21..=108)
            .map(|k| {
                let octaves = f64::from(k - 108) / 12.0;
                let level = -14.0 - 5.5 * i as f64 + slope * octaves + noise(k as usize + i) * 0.8;
                (f64::from(k), level)
            })
            .collect();
        chart.with(Series::new(*name, points, Style::Line(Line::distinct(i))))
    })
}

fn residual() -> Sheet {
    let time = |i: usize| i as f64 / 44_100.0;
    let contour = |i: usize| 1.0 - (-time(i) / 0.03).exp();
    let output = (0..8820).map(|i| (1e3 * time(i), contour(i))).collect();
    let residual = (0..8820).map(|i| (1e3 * time(i), 1e-9 * (noise(i) + contour(i)))).collect();
    let ms = || Axis::linear("Time", "ms").range(0.0, 200.0);
    Sheet::new("Attack of the contour")
        .with(
            Chart::new("Output", ms(), Axis::linear("Level", "full scale").range(0.0, 1.2))
                .with(Series::line("fixed twin", output)),
            3.0,
        )
        .with(
            Chart::new("Residual", ms(), Axis::linear("Fixed − float", "full scale"))
                .with(Series::line("", residual))
                .mark(Mark::horizontal(2.5e-9, "limit"))
                .mark(Mark::horizontal(-2.5e-9, "limit")),
            2.0,
        )
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let directory = std::env::args().nth(1).ok_or("name a directory")?;
    let directory = PathBuf::from(directory);
    let size = Size::default();
    for (name, chart) in [("spectrum", spectrum()), ("tuning", tuning()), ("aliasing", aliasing())]
    {
        std::fs::write(directory.join(name).with_extension("svg"), chart.to_svg(size)?)?;
        std::fs::write(directory.join(name).with_extension("png"), chart.to_png(size)?)?;
    }
    let tall = Size { height: 720, ..size };
    std::fs::write(directory.join("residual.svg"), residual().to_svg(tall)?)?;
    std::fs::write(directory.join("residual.png"), residual().to_png(tall)?)?;
    Ok(())
}

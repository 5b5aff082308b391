use plumbtone_theory::onset::Blocks;

/// Every place in three blocks.
#[test]
fn delays_have_the_figures_of_their_distribution() {
    for block in [1_u32, 2, 100, 128] {
        let blocks = Blocks::new(block, 1.0).unwrap();
        let count = 3 * u64::from(block);
        let delays: Vec<f64> = (0..count).map(|s| blocks.delay_samples(s) as f64).collect();
        let mean = delays.iter().sum::<f64>() / count as f64;
        let square = delays.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / count as f64;
        let largest = delays.iter().copied().fold(0.0, f64::max);
        assert!((blocks.mean_delay_s() - mean).abs() < 1e-12, "{block}");
        assert!((blocks.jitter_s() - square.sqrt()).abs() < 1e-12, "{block}");
        assert_eq!(blocks.worst_delay_s(), largest, "{block}");
        for (sample, delay) in (0..).zip(delays) {
            assert_eq!((sample + delay as u64) % u64::from(block), 0, "{block}: {sample}");
        }
    }
}

/// Blocks of 128 at 44.1 kHz, by hand: 63.5, sqrt(1365.25) = 36.9493 and 127 samples. All below the 6 ms at which
/// one onset of an even sequence is heard to be off (Friberg & Sundberg 1995, abstract).
#[test]
fn blocks_of_the_demonstration_are_inaudible() {
    let blocks = Blocks::new(128, 44_100.0).unwrap();
    assert!((1000.0 * blocks.mean_delay_s() - 1.439_909).abs() < 1e-6);
    assert!((1000.0 * blocks.jitter_s() - 0.837_852).abs() < 1e-6, "{}", blocks.jitter_s());
    assert!((1000.0 * blocks.worst_delay_s() - 2.879_819).abs() < 1e-6);
    assert!(blocks.worst_delay_s() < 6e-3);
    assert!(Blocks::new(0, 44_100.0).is_err() && Blocks::new(1, f64::NAN).is_err());
}

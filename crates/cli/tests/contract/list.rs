use serde_json::Value;

use crate::{folder, run};

#[test]
fn fits_eighty_columns_and_names_every_module_and_reading() {
    let (status, text, stderr) = run(&folder(), &["list"]);
    assert_eq!((status, stderr.as_str()), (0, ""));
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let unbroken = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for about in plumbtone::voice::registry::all() {
        let line = |end: &str| text.contains(&format!("\n{}{end}", about.name));
        assert!(line(" ") || line("\n"), "{}", about.name);
        assert!(unbroken.contains(about.summary), "{}", about.name);
    }
    // Where volts are shown, so is what keeps them from a pin.
    assert!(unbroken.contains("divider and a clamp"), "{unbroken}");
    assert!(text.contains("present, zero, legato"));
    for preset in plumbtone::instrument::presets().expect("built in") {
        assert!(text.contains(&format!("\n{} ", preset.name)), "{}", preset.name);
    }
    for kind in plumbtone::Kind::ALL {
        assert!(text.contains(&format!("\n{} ", kind.name())), "{kind}");
    }
    assert!(text.contains("0.01 to 0.99 of the cycle, default 0.5"));
}

#[test]
fn prints_one_object_with_a_schema() {
    let (status, text, _) = run(&folder(), &["list", "--json"]);
    assert_eq!(status, 0);
    let list: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(list["schema"], "plumbtone.list/1");
    let modules = list["modules"].as_array().expect("modules");
    assert_eq!(modules.len(), plumbtone::voice::registry::all().count());
    let restart = modules.iter().find(|module| module["name"] == "adsr").expect("adsr");
    assert_eq!(restart["parameters"][5]["choices"][2], "legato");
    for (module, entry) in modules.iter().zip(plumbtone::voice::oscillators::ENTRIES) {
        assert_eq!(module["name"], entry.name);
        assert_eq!(module["parameters"].as_array().expect("list").len(), entry.parameters.len());
        assert_eq!(module["shapes"].as_array().expect("list").len(), entry.shapes.len());
        assert_eq!(
            module["usable_from_cycles_per_sample"]["fixed"].as_f64(),
            Some(entry.usable_from.fixed)
        );
    }
    let width = &modules[0]["parameters"][1];
    assert_eq!(width["name"], "width");
    assert_eq!((width["min"].as_f64(), width["max"].as_f64()), (Some(0.01), Some(0.99)));
    let presets = list["presets"].as_array().expect("presets");
    assert_eq!(presets.len(), 12);
    assert!(presets.iter().all(|preset| preset["instrument"] == "tideorgan"));
    let readings = list["readings"].as_array().expect("readings");
    assert_eq!(readings[0]["name"], "pitch");
    assert_eq!(readings[0]["unit"], "cents");
}

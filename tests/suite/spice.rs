//! Netlists against ngspice, a circuit simulator from Debian's package `ngspice` (ngspice.sourceforge.io).

use std::f64::consts::PI;
use std::fs;
use std::process::Command;

use loopcase::physics::BOLTZMANN;
use loopcase::physics::part::{Element, Filter, Network, Source, Topology};
use num_complex::Complex64;

const TEMPERATURE: f64 = 298.15;
const RANGE: (f64, f64) = (100.0, 1e7);

/// Columns of an ngspice run: frequency, real and imaginary part of `v(output)`, noise density in V/rtHz.
fn simulate(cards: &str) -> Vec<[f64; 4]> {
    let folder = tempfile::tempdir().expect("a folder");
    // The cards as written, and after them only what prints the vectors with all their digits.
    let control = ".control\nset filetype=ascii\nset numdgt=12\nset wr_singlescale\nset wr_vecnames\nrun\n\
                   setplot ac1\nwrdata ac.txt v(output)\nsetplot noise1\nwrdata noise.txt onoise_spectrum\nquit\n.endc\n";
    fs::write(folder.path().join("filter.cir"), format!("* test\n{cards}{control}.end\n")).expect("written");
    let run = Command::new("ngspice").args(["-b", "filter.cir"]).current_dir(folder.path()).output();
    let run = run.expect("ngspice is there: install Debian's package `ngspice`");
    let read = |name: &str| -> Vec<Vec<f64>> {
        let text = fs::read_to_string(folder.path().join(name)).unwrap_or_else(|_| {
            panic!(
                "no {name}:\n{}",
                String::from_utf8_lossy(&[run.stdout.clone(), run.stderr.clone()].concat())
            )
        });
        let row = |line: &str| line.split_whitespace().map(|word| word.parse().expect("a number")).collect();
        text.lines().skip(1).map(row).collect()
    };
    let (ac, noise) = (read("ac.txt"), read("noise.txt"));
    assert_eq!(ac.len(), noise.len());
    ac.iter().zip(&noise).map(|(a, n)| [a[0], a[1], a[2], n[1]]).collect()
}

fn compare(what: &str, network: &Network) {
    let rows = simulate(&network.spice_cards(TEMPERATURE, RANGE));
    assert!(rows.len() > 100 && rows[rows.len() - 1][0] / rows[0][0] > 0.99e5, "{what}: five decades");
    let pencil = network.pencil();
    let (mut worst_z, mut worst_n) = (0.0_f64, 0.0_f64);
    for [f, re, im, density] in rows {
        let s = Complex64::new(0.0, 2.0 * PI * f);
        let ours = pencil.impedance(s).expect("regular");
        worst_z = worst_z.max((ours - Complex64::new(re, im)).norm() / ours.norm());
        let mut power = 0.0;
        for element in network.elements() {
            if let Element::Resistor { name, ohms, .. } = element {
                let [t] = pencil.transfers(s, [Source::Resistor(name)]).expect("regular");
                power += 4.0 * BOLTZMANN * TEMPERATURE * ohms * t.norm_sqr();
            }
        }
        worst_n = worst_n.max((power.sqrt() / density - 1.0).abs());
    }
    assert!(worst_z < 1e-6, "{what}: impedance differs by {worst_z:e}");
    assert!(worst_n < 0.005, "{what}: noise differs by {worst_n:e}");
}

fn filter(topology: Topology) -> Filter {
    let mut filter = Filter::of(topology);
    for (name, value) in
        [("C1", 1e-9), ("R2", 1e3), ("C2", 15e-9), ("R3", 2e3), ("C3", 0.2e-9), ("R4", 3e3), ("C4", 0.1e-9)]
    {
        filter.set(name, value);
    }
    filter
}

#[test]
fn passive_filters_agree_with_ngspice() {
    for order in 2..=4 {
        compare(&format!("passive {order}"), &filter(Topology::Passive(order)).network(10e-12, None));
    }
}

#[test]
fn active_filters_agree_with_ngspice() {
    for order in 3..=4 {
        // The post filter behind an op-amp of 10 MHz: the same nodes as `Filter::network` gives.
        let f = filter(Topology::Active(order));
        let mut net = Network::new(1);
        net.capacitor("C1", 1, 3, f.c1);
        net.resistor("R2", 1, 2, f.r2);
        net.capacitor("C2", 2, 3, f.c2);
        net.op_amp(1, 3, 10e6);
        let mut port = 3;
        for (index, ((ohms, farads), [r, c])) in f.post.iter().zip([["R3", "C3"], ["R4", "C4"]]).enumerate() {
            net.resistor(r, port, 4 + index, *ohms);
            net.capacitor(c, 4 + index, 0, *farads);
            port = 4 + index;
        }
        net.set_output(port);
        compare(&format!("active {order}"), &net);
    }
}

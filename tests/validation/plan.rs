//! Frequency plan and multiplication: FP-FRAC, FP-20LOGN, FP-PPM.

use loopcase::physics::derived::reference_error;
use loopcase::physics::plan::{
    Dividers, FeedbackSet, Fraction, IntegerSet, Modulus, Plan, Rational, Request, to_f64,
};

use crate::support::{close, number, row};

fn exact(text: &str) -> Rational {
    text.parse().expect("check values hold exact rationals")
}

/// A plan that divides straight from the oscillator to the output, with this modulus.
fn direct(reference: &str, output: Rational, modulus: Modulus) -> Request {
    Request {
        reference_frequency: exact(reference),
        doubler: None,
        reference_divider: IntegerSet::list(vec![1]),
        detector_limit: exact("1000000000"),
        detector_frequency: None,
        step: None,
        outputs: vec![output],
        dividers: Dividers {
            fixed_prescaler: 1,
            feedback: FeedbackSet::Plain(IntegerSet::Range(20, 4095)),
            fraction: Some(Fraction { modulus, order: 3, start: 0 }),
            output: vec![exact("1")],
            oscillator: vec![(exact("100000000"), exact("10000000000"))],
        },
    }
}

/// Integers exact, errors to 1e-9. Source: arithmetic, by another rational library (generator `gen16_tolerance_plan`).
#[test]
fn fp_frac() {
    for case in row("FP-FRAC").cases {
        let reference = case.inputs["fref_Hz"].as_str().expect("text");
        let output = exact(&case.inputs["fout_Hz"].to_string());
        let modulus = 1u64 << case.inputs["bits"].as_u64().expect("integer");
        let expected = |key: &str| case.expected[key].as_u64().expect("integer");

        let plan = Plan::solve(&direct(reference, output.clone(), Modulus::Fixed(modulus))).expect("a plan");
        let channel = plan.channel(&output).expect("a channel");
        assert_eq!(channel.feedback_divider, expected("N_int"), "{}", case.id);
        assert_eq!(channel.fraction, Some((expected("word"), modulus)), "{}", case.id);
        close(to_f64(&channel.frequency_error), number(&case.expected, "frequency_error_Hz"), 1e-9, &case.id);
        let step = &plan.detector_frequency / Rational::from_integer(modulus.into());
        close(to_f64(&step), number(&case.expected, "step_Hz"), 1e-9, &case.id);

        // A programmable modulus makes the same channel without error, in lowest terms.
        let plan = Plan::solve(&direct(reference, output.clone(), Modulus::Range(1, 4095))).expect("a plan");
        let channel = plan.channel(&output).expect("a channel");
        assert_eq!(
            channel.fraction,
            Some((expected("fraction_num"), expected("fraction_den"))),
            "{}",
            case.id
        );
        assert_eq!(channel.frequency_error, exact("0"), "{}", case.id);
    }
}

/// The reference's part of the budget rises by 20 log10 N in band. Source: phase multiplies with frequency.
#[test]
fn fp_20logn() {
    for case in row("FP-20LOGN").cases {
        let n = number(&case.inputs, "N");
        let loop_case = crate::loops::second_order(10e3, 0.7, n);
        // 1 mHz is deep inside a 10 kHz loop: |H| = 1 within 1e-12.
        let gain = crate::loops::reference_gain_db(&loop_case, 1e-3);
        assert!((gain - number(&case.expected, "gain_dB")).abs() < 1e-9, "{}: {gain}", case.id);
    }
}

/// Source: arithmetic.
#[test]
fn fp_ppm() {
    for case in row("FP-PPM").cases {
        let error = reference_error(number(&case.inputs, "fout_Hz"), 1e-6 * number(&case.inputs, "ppm"));
        close(error, number(&case.expected, "df_Hz"), 1e-12, &case.id);
    }
}

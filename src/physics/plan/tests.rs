use super::*;

fn hz(f: i64) -> Rational {
    rational(f, 1)
}

/// 10 MHz reference, R 1..1023, detector to 25 MHz, n 64..65535, oscillator 2 to 4 GHz.
fn request(outputs: Vec<Rational>, step: Option<Rational>) -> Request {
    Request {
        reference_frequency: hz(10_000_000),
        doubler: None,
        reference_divider: IntegerSet::Range(1, 1023),
        detector_limit: hz(25_000_000),
        detector_frequency: None,
        step,
        outputs,
        dividers: Dividers {
            fixed_prescaler: 1,
            feedback: FeedbackSet::Plain(IntegerSet::Range(64, 65535)),
            fraction: None,
            output: vec![hz(1)],
            oscillator: vec![(hz(2_000_000_000), hz(4_000_000_000))],
        },
    }
}

fn band(low: i64, high: i64, step: i64) -> Request {
    request(channels(&hz(low), &hz(high), &hz(step)).unwrap(), Some(hz(step)))
}

fn refusal(request: &Request) -> PlanError {
    *Plan::solve(request).unwrap_err()
}

/// The highest detector frequency by trying every R, straight from the definition.
fn brute_force(request: &Request) -> Option<u64> {
    let d = &request.dividers;
    let input = &request.reference_frequency * hz(if request.doubler.is_some() { 2 } else { 1 });
    request.reference_divider.members_from(1).find(|r| {
        let f_pd = &input / hz(*r as i64);
        let counted = &f_pd * hz(d.fixed_prescaler as i64);
        f_pd <= request.detector_limit
            && request.outputs.iter().all(|output| {
                let Ok((o, f_vco)) = d.oscillator_for(output) else { return false };
                let n = f_vco / &counted;
                n.is_integer()
                    && d.feedback.contains(n.to_integer().to_u64().unwrap())
                    && request.step.as_ref().is_none_or(|s| (s * o / &counted).is_integer())
            })
    })
}

#[test]
fn highest_detector_frequency_is_the_one_found_by_trying_all() {
    let mut found = 0;
    for (i, step) in [25_000, 30_000, 100_000, 125_000, 1_000_000, 2_500_000, 6_250].into_iter().enumerate() {
        for low in [2_400_000_000, 2_401_250_000, 3_000_030_000, 2_700_000_000 + step] {
            for prescaler in [1, 2, 3, 8] {
                let mut r = band(low, low + 7 * step, step);
                r.dividers.fixed_prescaler = prescaler;
                if i % 2 == 0 {
                    r.doubler = Some(Doubler { limit: None });
                }
                if i % 3 == 0 {
                    let (a, b) = ((0, 15), (3, 4095));
                    r.dividers.feedback = FeedbackSet::Swallow { prescalers: vec![16, 32], a, b };
                }
                let expected = brute_force(&r);
                found += usize::from(expected.is_some());
                assert_eq!(
                    Plan::solve(&r).ok().map(|p| p.reference_divider),
                    expected,
                    "{low} {step} {prescaler}"
                );
            }
        }
    }
    assert!(found > 40, "only {found} of the cases have a plan: they test little");
}

#[test]
fn fractional_takes_the_highest_that_keeps_n_in_range() {
    let mut r = band(2_400_000_000, 2_500_000_000, 1_000_000);
    r.detector_limit = hz(100_000_000);
    r.reference_frequency = hz(61_440_000);
    r.dividers.fraction = Some(Fraction { modulus: Modulus::Fixed(1 << 24), order: 3, start: 0 });
    for n_min in [20, 36, 37, 64, 77, 78, 200] {
        r.dividers.feedback = FeedbackSet::Plain(IntegerSet::Range(n_min, 65535));
        let plan = Plan::solve(&r).unwrap();
        let serves = |reference_divider: u64| {
            let detector_frequency = hz(61_440_000) / hz(reference_divider as i64);
            let p = Plan { reference_divider, detector_frequency, ..plan.clone() };
            r.outputs.iter().all(|f| p.channel(f).is_ok())
        };
        assert!(serves(plan.reference_divider));
        assert!((1..plan.reference_divider).all(|smaller| !serves(smaller)));
    }
}

#[test]
fn every_channel_is_exact() {
    let mut r = band(800_000_000, 1_900_000_000, 200_000);
    r.dividers.output = vec![hz(4), rational(1, 2), hz(1), hz(2)];
    let plan = Plan::solve(&r).unwrap();
    assert_eq!(plan.detector_frequency, hz(400_000), "twice the step, as O is 2 or 4 everywhere");
    for output in &r.outputs {
        let c = plan.channel(output).unwrap();
        assert!(c.frequency_error.is_zero());
        assert_eq!(&c.oscillator_frequency / &c.output_divider, *output);
        assert_eq!(&c.feedback_ratio * &plan.detector_frequency, c.oscillator_frequency);
        let smaller = [rational(1, 2), hz(1), hz(2)].into_iter().filter(|o| *o < c.output_divider);
        assert!(smaller.into_iter().all(|o| o * output < hz(2_000_000_000)), "least output divider");
    }
}

#[test]
fn off_raster_names_the_two_nearest() {
    let mut r = request(vec![hz(2_400_012_345)], None);
    r.detector_frequency = Some(hz(100_000));
    assert_eq!(
        refusal(&r),
        PlanError::NotAMultiple {
            what: OffRaster::Output,
            value: hz(2_400_012_345),
            below: Some(hz(2_400_000_000)),
            above: Some(hz(2_400_100_000)),
        }
    );
    // Automatic: the nearest over every reference divider, and nothing lies between them.
    r.detector_frequency = None;
    let PlanError::NotAMultiple { below: Some(below), above: Some(above), .. } = refusal(&r) else {
        panic!("another refusal")
    };
    let target = hz(2_400_012_345);
    assert!(below < target && target < above);
    for divider in 1..=1023 {
        let f_pd = hz(10_000_000) / hz(divider);
        let under = (&target / &f_pd).floor();
        if under <= hz(65535) {
            assert!(&under * &f_pd <= below && (under + hz(1)) * f_pd >= above);
        }
    }
    assert!(Plan::solve(&Request { outputs: vec![below], ..r.clone() }).is_ok());
    assert!(Plan::solve(&Request { outputs: vec![above], ..r }).is_ok());
}

#[test]
fn off_raster_step_is_told_apart() {
    let mut r = request(vec![hz(2_400_000_000)], Some(hz(150_000)));
    r.detector_frequency = Some(hz(100_000));
    let PlanError::NotAMultiple { what, below, above, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!((what, below, above), (OffRaster::Step, Some(hz(100_000)), Some(hz(200_000))));
}

#[test]
fn limits_are_reported_with_their_numbers() {
    let base = request(vec![hz(2_400_000_000)], None);

    let mut r = base.clone();
    r.outputs = vec![hz(500_000_000)];
    r.dividers.output = vec![hz(2), hz(1)];
    let PlanError::OscillatorOutOfRange { reachable, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!(reachable[0], (hz(1_000_000_000), hz(2_000_000_000)));

    let mut r = base.clone();
    r.detector_frequency = Some(hz(30_000_000));
    assert!(matches!(refusal(&r), PlanError::DetectorTooFast { .. }));
    r.detector_frequency = Some(hz(3_000_000));
    let PlanError::NoReferenceDivider { below, above, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!((below, above), (Some(hz(2_500_000)), Some(rational(10_000_000, 3))));

    let mut r = base.clone();
    r.doubler = Some(Doubler { limit: Some(hz(5_000_000)) });
    assert!(matches!(refusal(&r), PlanError::DoublerTooFast { .. }));

    let mut r = base.clone();
    r.reference_divider = IntegerSet::list(vec![1]);
    r.detector_limit = hz(5_000_000);
    assert!(matches!(refusal(&r), PlanError::DetectorTooFast { .. }));

    let mut r = base.clone();
    r.detector_frequency = Some(hz(10_000_000));
    r.dividers.feedback = FeedbackSet::Plain(IntegerSet::Range(300, 65535));
    let PlanError::FeedbackOutOfRange { needed, limits, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!((needed, limits), (hz(240), (300, 65535)));

    let mut r = base.clone();
    r.reference_divider = IntegerSet::Range(1, 2);
    r.dividers.feedback = FeedbackSet::Plain(IntegerSet::Range(1000, 65535));
    assert!(matches!(refusal(&r), PlanError::FeedbackOutOfRange { .. }));

    let mut r = base.clone();
    r.reference_divider = IntegerSet::list(vec![1]);
    r.dividers.feedback = FeedbackSet::Swallow { prescalers: vec![32], a: (0, 31), b: (3, 8191) };
    r.outputs = vec![hz(2_400_000_000), hz(2_540_000_000)];
    let PlanError::FeedbackHole { needed, below, above, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!((needed, below, above), (240, Some(231), Some(256)));
}

#[test]
fn modulator_must_stay_inside_the_divider() {
    let mut r = request(vec![hz(2_405_000_000)], None);
    r.detector_frequency = Some(hz(10_000_000));
    r.dividers.fraction = Some(Fraction { modulus: Modulus::Range(2, 4095), order: 3, start: 0 });
    r.dividers.feedback = FeedbackSet::Plain(IntegerSet::Range(237, 244));
    assert_eq!(Plan::solve(&r).unwrap().channel(&r.outputs[0]).unwrap().fraction, Some((1, 2)));
    for range in [(238, 244), (237, 243)] {
        r.dividers.feedback = FeedbackSet::Plain(IntegerSet::Range(range.0, range.1));
        let PlanError::Excursion { integer, swing, limits, .. } = refusal(&r) else {
            panic!("another refusal")
        };
        assert_eq!((integer, swing, limits), (240, (237, 244), range));
    }
}

#[test]
fn a_fraction_that_rounds_up_carries() {
    let mut r = request(vec![hz(2_409_999_999)], None);
    r.detector_frequency = Some(hz(10_000_000));
    r.dividers.fraction = Some(Fraction { modulus: Modulus::Fixed(1024), order: 3, start: 0 });
    let c = Plan::solve(&r).unwrap().channel(&r.outputs[0]).unwrap();
    assert_eq!((c.feedback_divider, c.fraction, c.frequency_error), (241, Some((0, 1024)), hz(1)));
}

#[test]
fn no_common_detector_frequency_is_told_with_the_raster() {
    let mut r = request(vec![hz(2_400_000_000), hz(2_400_015_625)], None);
    // 15 625 Hz = 10 MHz / 640 is in reach of 1..1023, but not of this list; each channel alone is.
    r.reference_divider = IntegerSet::list(vec![1, 640]);
    assert_eq!(
        refusal(&r),
        PlanError::FeedbackOutOfRange { output: hz(2_400_000_000), needed: hz(153_600), limits: (64, 65535) }
    );
    r.reference_divider = IntegerSet::list(vec![3, 7]);
    r.outputs = vec![hz(2_400_000_000) + hz(10_000_000) / hz(3), hz(2_400_000_000) + hz(10_000_000) / hz(7)];
    let PlanError::NoCommonDetectorFrequency { raster, .. } = refusal(&r) else { panic!("another refusal") };
    assert_eq!(raster, hz(10_000_000) / hz(21));
}

#[test]
fn senseless_requests_are_errors_not_panics() {
    let base = request(vec![hz(2_400_000_000)], None);
    let mut all: Vec<Request> = vec![base.clone(); 8];
    all[0].outputs.clear();
    all[1].reference_divider = IntegerSet::Range(0, 5);
    all[2].dividers.feedback = FeedbackSet::Plain(IntegerSet::list(vec![]));
    all[3].dividers.output = vec![hz(0)];
    all[4].detector_frequency = Some(hz(-1));
    all[5].reference_divider = IntegerSet::Range(1, u64::MAX);
    all[6].dividers.feedback = FeedbackSet::Swallow { prescalers: vec![0], a: (0, 7), b: (3, 100) };
    all[7].dividers.fraction = Some(Fraction { modulus: Modulus::Range(9, 2), order: 0, start: 0 });
    for r in all {
        let error = refusal(&r);
        assert!(!error.to_string().is_empty());
    }
    let mut r = base;
    let huge = Rational::from_integer(num_bigint::BigInt::from(10).pow(300));
    r.dividers.oscillator = vec![(hz(1), huge.clone())];
    r.outputs = vec![huge];
    assert!(Plan::solve(&r).is_err());
}

#[test]
fn two_thousand_channels_are_planned_and_made() {
    let r = band(2_400_000_000, 2_599_900_000, 100_000);
    assert_eq!(r.outputs.len(), 2000);
    let plan = Plan::solve(&r).unwrap();
    assert_eq!(plan.detector_frequency, hz(100_000));
    assert!(r.outputs.iter().all(|f| plan.channel(f).is_ok()));
}

/// In machine integers a channel is what it is in long ones, and what can't be made is left to those.
#[test]
fn the_swift_way_is_the_long_way() {
    let mut seen = [0; 4];
    for fraction in [
        None,
        Some(Fraction { modulus: Modulus::Fixed(1 << 24), order: 3, start: 1 }),
        Some(Fraction { modulus: Modulus::Fixed(7), order: 2, start: 0 }),
        Some(Fraction { modulus: Modulus::Fixed(1 << 40), order: 1, start: 0 }),
        Some(Fraction { modulus: Modulus::Range(2, 4095), order: 3, start: 0 }),
        Some(Fraction { modulus: Modulus::Range(2, 5), order: 3, start: 0 }),
    ] {
        let mut request = band(2_000_000_000, 2_400_000_000, 10_000_000);
        request.dividers.fraction = fraction;
        request.dividers.output = vec![rational(3, 2), hz(1), rational(1, 2), hz(4)];
        request.dividers.fixed_prescaler = 2;
        for detector in
            [rational(10_000_000, 7), hz(5_000_000), hz(16_000_000), rational(1 << 50, (1 << 40) + 1)]
        {
            let plan = Plan {
                reference_divider: 1,
                doubled: false,
                detector_frequency: detector,
                dividers: request.dividers.clone(),
            };
            let odd =
                [rational(123_456_789_123, 1000), rational((1 << 60) + 1, 1 << 29), hz(1), hz(9_000_000_000)];
            for output in request.outputs.iter().chain(&odd) {
                let swift = plan.swift();
                let spot = swift.spot_swiftly(output);
                let swift = swift.swiftly(output);
                seen[usize::from(swift.is_some())] += 1;
                let long = plan.channel_at_length(output);
                if let Some(spot) = spot {
                    assert_eq!(spot, Spot::of(&plan, long.as_ref().expect("it can be made")));
                    seen[3] += 1;
                }
                match swift {
                    Some(swift) => assert_eq!(Ok(swift), long),
                    None => seen[2] += usize::from(long.is_ok()),
                }
            }
        }
    }
    assert!(seen[0] > 100 && seen[1] > 100 && seen[2] > 10 && seen[3] > 100, "{seen:?}");
}

//! A slow simulator of a charge-pump loop with a passive filter of third order, put together from the circuit equations:
//! every step is a matrix exponential of its own, every edge is found by bisection and tangents. It shares no code with the library.

/// A loop; SI units, `hop`: how far below the channel it starts, Hz.
pub struct Slow {
    pub current: f64,
    pub mismatch: f64,
    pub leakage: f64,
    pub pulse: f64,
    pub gain: f64,
    pub ratio: f64,
    pub rate: f64,
    /// C1, R2, C2, R3, C3.
    pub parts: [f64; 5],
    pub hop: f64,
}

/// What came out; times in periods of the detector.
pub struct Told {
    pub edges: Vec<f64>,
    pub slips: u64,
    pub last_outside: f64,
    /// How far the oscillator is off (Hz) at the times asked for.
    pub seen: Vec<f64>,
}

/// Voltages of C1, C2 and C3 from those of the channel, phase from the channel's in detector cycles, and one.
type State = [f64; 5];
type Matrix = [[f64; 5]; 5];

/// Time in periods.
fn rates(slow: &Slow, current: f64) -> Matrix {
    let [c1, r2, c2, r3, c3] = slow.parts;
    let t = 1.0 / slow.rate;
    let inflow = current - slow.leakage;
    [
        [-(1.0 / r2 + 1.0 / r3) / c1 * t, t / (r2 * c1), t / (r3 * c1), 0.0, inflow / c1 * t],
        [t / (r2 * c2), -t / (r2 * c2), 0.0, 0.0, 0.0],
        [t / (r3 * c3), 0.0, -t / (r3 * c3), 0.0, 0.0],
        [0.0, 0.0, slow.gain / (slow.ratio * slow.rate), 0.0, 0.0],
        [0.0; 5],
    ]
}

fn product(a: &Matrix, b: &Matrix) -> Matrix {
    let mut c = [[0.0; 5]; 5];
    for (i, row) in c.iter_mut().enumerate() {
        for (j, x) in row.iter_mut().enumerate() {
            *x = (0..5).map(|k| a[i][k] * b[k][j]).sum();
        }
    }
    c
}

/// The exponential of `a t` by its series, scaled and squared.
fn exponential(a: &Matrix, t: f64) -> Matrix {
    let squarings = 4;
    let scaled = a.map(|row| row.map(|x| x * t / f64::from(1 << squarings)));
    let mut sum = [[0.0; 5]; 5];
    let mut term = sum;
    for i in 0..5 {
        sum[i][i] = 1.0;
        term[i][i] = 1.0;
    }
    for k in 1..=13 {
        term = product(&term, &scaled).map(|row| row.map(|x| x / f64::from(k)));
        for (row, add) in sum.iter_mut().zip(&term) {
            row.iter_mut().zip(add).for_each(|(x, y)| *x += y);
        }
    }
    for _ in 0..squarings {
        sum = product(&sum, &sum);
    }
    sum
}

fn moved(state: &State, a: &Matrix, t: f64) -> State {
    exponential(a, t).map(|row| row.iter().zip(state).map(|(m, x)| m * x).sum())
}

/// Follows the loop for so many periods; outside: more than `window` Hz off, looked at 8 times in every step.
pub fn simulate(slow: &Slow, periods: u64, window: f64) -> Told {
    seen_at(slow, periods, window, &[])
}

/// The same, looked at at these times besides, periods, ascending.
pub fn seen_at(slow: &Slow, periods: u64, window: f64, asked: &[f64]) -> Told {
    let start = -slow.hop / slow.gain;
    let mut state: State = [start, start, start, 0.0, 1.0];
    let source = slow.current * (1.0 + 0.5 * slow.mismatch);
    let sink = slow.current * (1.0 - 0.5 * slow.mismatch);
    let (mut up, mut down, mut both_left) = (true, true, slow.pulse * slow.rate);
    let (mut period, mut offset, mut next_edge) = (0u64, 0.0, 1i64);
    let mut told = Told { edges: Vec::new(), slips: 0, last_outside: 0.0, seen: Vec::new() };
    while period < periods {
        let both = up && down;
        let a = rates(slow, f64::from(u8::from(up)) * source - f64::from(u8::from(down)) * sink);
        let longest = if both { both_left.min(1.0 - offset) } else { 1.0 - offset };
        // Cycles by which the edge is still due after a time: it falls all the way.
        let due = |t: f64| (next_edge - period as i64) as f64 - offset - t - moved(&state, &a, t)[3];
        let edge = due(longest) <= 0.0;
        let mut step = longest;
        if edge {
            // Bisection, and steps along the tangent at the end: what is due falls at the oscillator's frequency.
            let (mut low, mut high) = (0.0, longest);
            for _ in 0..8 {
                let middle = 0.5 * (low + high);
                if due(middle) > 0.0 { low = middle } else { high = middle }
            }
            step = high;
            for _ in 0..5 {
                let fast = 1.0 + moved(&state, &a, step)[2] * slow.gain / (slow.ratio * slow.rate);
                step += due(step) / fast;
            }
        }
        for look in 0..=8 {
            let t = step * f64::from(look) / 8.0;
            if (moved(&state, &a, t)[2] * slow.gain).abs() > window {
                told.last_outside = period as f64 + offset + t;
            }
        }
        while let Some(time) = asked.get(told.seen.len()).map(|time| time - period as f64 - offset) {
            if time > step {
                break;
            }
            told.seen.push(moved(&state, &a, time)[2] * slow.gain);
        }
        state = moved(&state, &a, step);
        let cleared = both && !edge && step >= both_left;
        let reference = !edge && !cleared;
        offset += step;
        if both {
            both_left -= step;
        }
        if cleared {
            (up, down) = (false, false);
        }
        if edge {
            told.edges.push(period as f64 + offset);
            next_edge += 1;
        }
        if reference {
            (period, offset) = (period + 1, 0.0);
        }
        for (arrives, half) in [(edge, &mut down), (reference, &mut up)] {
            if arrives && *half {
                told.slips += 1;
            } else if arrives {
                *half = true;
            }
        }
        if up && down && !both {
            both_left = slow.pulse * slow.rate;
        }
    }
    told
}

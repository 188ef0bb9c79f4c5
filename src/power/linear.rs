//! Linear DC circuits by nodal analysis: the step that the sign's network takes in every turn of Newton's method,
//! and on its own a solver for resistors, current sources and voltage sources with series resistance.

use nalgebra::{DMatrix, DVector, Dyn, LU};

/// An unknown of the nodal equations; `None` is 0 V.
pub type Unknown = Option<usize>;

/// Nodal equations: what leaves each node, and how that changes with the volts of each node.
#[derive(Clone, Debug)]
pub(super) struct Nodal {
    /// Amperes that leave each node.
    pub residual: DVector<f64>,
    /// Siemens.
    pub jacobian: DMatrix<f64>,
}

impl Nodal {
    pub fn new(size: usize) -> Self {
        Self { residual: DVector::zeros(size), jacobian: DMatrix::zeros(size, size) }
    }

    /// A current from the first to the second node of a pair, and its slope against the volts across.
    pub fn branch(&mut self, (from, to): (Unknown, Unknown), amps: f64, siemens: f64) {
        if let Some(i) = from {
            self.residual[i] += amps;
            self.jacobian[(i, i)] += siemens;
        }
        if let Some(j) = to {
            self.residual[j] -= amps;
            self.jacobian[(j, j)] += siemens;
        }
        if let (Some(i), Some(j)) = (from, to) {
            self.jacobian[(i, j)] -= siemens;
            self.jacobian[(j, i)] -= siemens;
        }
    }

    /// The change of all volts that cancels the residual, and the factors it came from; `None` where the equations
    /// are singular.
    pub fn step(self) -> Option<(DVector<f64>, LU<f64, Dyn, Dyn>)> {
        let factors = self.jacobian.lu();
        let step = factors.solve(&-self.residual)?;
        Some((step, factors))
    }
}

/// Why a circuit has no answer.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CircuitError {
    /// Nothing fixes the volts of this node.
    #[error("node {0} has no path of resistors or voltage sources to 0 V")]
    Floating(usize),
    /// A resistance that is not above zero, or a value that is not finite.
    #[error("element {0} (counted from 0) needs finite values and a resistance above zero")]
    Value(usize),
}

#[derive(Clone, Copy, Debug)]
struct Element {
    from: Unknown,
    to: Unknown,
    siemens: f64,
    /// Current from `from` to `to` with no volts across.
    amps: f64,
}

/// A linear DC circuit. Nodes are numbered from 0; `None` is 0 V.
#[derive(Clone, Debug, Default)]
pub struct Circuit {
    size: usize,
    elements: Vec<Element>,
}

impl Circuit {
    /// Adds a node that nothing is connected to yet.
    pub fn node(&mut self) -> Unknown {
        self.size += 1;
        Some(self.size - 1)
    }
    /// A resistor, Ω.
    pub fn resistor(&mut self, from: Unknown, to: Unknown, ohm: f64) {
        self.elements.push(Element { from, to, siemens: 1.0 / ohm, amps: 0.0 });
    }
    /// A source that takes this current out of `from` and gives it to `to`, A.
    pub fn current(&mut self, from: Unknown, to: Unknown, amps: f64) {
        self.elements.push(Element { from, to, siemens: 0.0, amps });
    }
    /// A voltage source of this many volts between `plus` and `minus` behind a series resistance, Ω.
    pub fn source(&mut self, plus: Unknown, minus: Unknown, volts: f64, ohm: f64) {
        self.elements.push(Element { from: plus, to: minus, siemens: 1.0 / ohm, amps: -volts / ohm });
    }

    /// Volts of every node against 0 V.
    ///
    /// # Errors
    /// [`CircuitError`] where a value is unusable or a node's volts are not fixed by anything.
    pub fn solve(&self) -> Result<Vec<f64>, CircuitError> {
        for (i, e) in self.elements.iter().enumerate() {
            if !e.siemens.is_finite() || e.siemens < 0.0 || !e.amps.is_finite() {
                return Err(CircuitError::Value(i));
            }
        }
        // rounding can hide a floating part from the factorisation, so connection is checked by itself
        let mut fixed = vec![false; self.size];
        let known = |fixed: &[bool], node: Unknown| node.is_none_or(|i| fixed[i]);
        let mut grew = true;
        while grew {
            grew = false;
            for e in self.elements.iter().filter(|e| e.siemens > 0.0) {
                if known(&fixed, e.from) != known(&fixed, e.to) {
                    for i in [e.from, e.to].into_iter().flatten() {
                        fixed[i] = true;
                    }
                    grew = true;
                }
            }
        }
        if let Some(i) = fixed.iter().position(|f| !f) {
            return Err(CircuitError::Floating(i));
        }
        let mut nodal = Nodal::new(self.size);
        for e in &self.elements {
            nodal.branch((e.from, e.to), e.amps, e.siemens);
        }
        let (volts, _) = nodal.step().ok_or(CircuitError::Floating(0))?;
        Ok(volts.iter().copied().collect())
    }
}

//! A simulated MCP3208 at its SPI bus, bit by bit.
//!
//! Assumed of a part (no source; limits of the data sheet as remembered are three of them): gain 1.5 LSB and a third of the reference's accuracy,
//! offset 1 LSB, noise 0.3 LSB.

use super::super::scenario::TimedFault;
use super::{Analog, Front, convert, of_converters};
use crate::build::{Build, Chip};
use crate::fault::Fault;
use crate::meter::mcp3208;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

/// What the transfer costs beside its bits (assumed, no source).
const TRANSFER_NS: u64 = 50_000;

/// One chip.
pub struct SimSpi<A> {
    analog: Rc<RefCell<A>>,
    faults: Vec<TimedFault>,
    fronts: [Option<Front>; 8],
    reference_v: f64,
    gain: f64,
    offset: f64,
    rng: StdRng,
}

impl<A: Analog> SimSpi<A> {
    /// The chip at this bus and select.
    pub fn new(build: &Build, at: (u8, u8), analog: Rc<RefCell<A>>, seed: u64, faults: &[TimedFault], tolerances: bool) -> Self {
        let mut rng = StdRng::seed_from_u64(seed ^ (0x2_0000 + u64::from(at.0) * 256 + u64::from(at.1)));
        let mut fronts = [const { None }; 8];
        let (mut reference_v, mut accuracy) = (3.3, 1.0);
        for (point, sense) in build.sense.iter().enumerate() {
            if let Chip::Mcp3208 { bus, select, channel, reference_v: volts, accuracy_pct, .. } = sense.chip
                && (bus, select) == at
            {
                fronts[usize::from(channel) & 7] = Some(Front::new(sense, point, seed, tolerances));
                (reference_v, accuracy) = (volts, accuracy_pct);
            }
        }
        let mut draw = |sigma: f64| {
            let z: f64 = rng.sample(StandardNormal);
            if tolerances { sigma * z.clamp(-3.0, 3.0) } else { 0.0 }
        };
        let gain = 1.0 + draw(1.5 / 4096.0) + draw(accuracy / 300.0);
        let offset = draw(1.0);
        Self { analog, faults: of_converters(faults), fronts, reference_v, gain, offset, rng }
    }

    fn convert(&mut self, channel: usize) -> Option<u16> {
        let mut analog = self.analog.borrow_mut();
        let now = analog.now_ns();
        let silent = |f: &TimedFault| matches!(f.fault, Fault::ConverterSilent { sense } if f.active(now) && self.fronts.iter().flatten().any(|p| p.point == sense));
        if self.faults.iter().any(silent) {
            return None;
        }
        let step = self.reference_v / 4096.0;
        let front = self.fronts[channel].as_mut();
        let code = convert(front, &mut *analog, &self.faults, step, self.gain, self.offset, 0.3, &mut self.rng);
        Some(code.clamp(0, 0xfff) as u16)
    }
}

impl<A> ErrorType for SimSpi<A> {
    type Error = Infallible;
}

impl<A: Analog> SpiDevice for SimSpi<A> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        // the chip is deselected between transactions: each begins with a start bit
        for operation in operations {
            let Operation::TransferInPlace(bytes) = operation else { continue };
            self.analog.borrow_mut().advance(TRANSFER_NS + bytes.len() as u64 * 8 * 1_000_000_000 / u64::from(mcp3208::CLOCK_HZ));
            let sent: Vec<bool> = bytes.iter().flat_map(|b| (0..8).rev().map(move |i| b >> i & 1 == 1)).collect();
            // DS21298 figure 5-1: start, SGL, D2, D1, D0, one clock of sampling, a null bit, then B11 to B0; the line floats high before
            let mut out = vec![true; sent.len()];
            if let Some(start) = sent.iter().position(|&b| b)
                && let Some(&[true, d2, d1, d0]) = sent.get(start + 1..start + 5)
                && let Some(code) = self.convert(usize::from(d2) << 2 | usize::from(d1) << 1 | usize::from(d0))
            {
                let answer = (0..13).map(|i| i > 0 && code >> (12 - i) & 1 == 1);
                for (slot, bit) in out.iter_mut().skip(start + 6).zip(answer) {
                    *slot = bit;
                }
            }
            for (byte, bits) in bytes.iter_mut().zip(out.chunks(8)) {
                *byte = bits.iter().fold(0, |b, &bit| b << 1 | u8::from(bit));
            }
        }
        Ok(())
    }
}

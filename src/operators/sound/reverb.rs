//! A room's answer: a sound convolved with an impulse response, in parts by fast Fourier transforms.
//!
//! Knows one response and the tail it leaves. W. G. Gardner, "Efficient convolution without input-output delay" (1995), with
//! parts of one size, as nothing is played live. Transforms are those that use no wide registers, so that every machine comes
//! to the same samples.

use std::sync::Arc;

use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlannerScalar};

/// Samples that are transformed together; twice as many with their zeros.
const PART: usize = 4096;

/// An impulse response, ready.
pub struct Response {
    parts: Vec<Vec<Complex32>>,
    length: usize,
    forward: Arc<dyn Fft<f32>>,
    back: Arc<dyn Fft<f32>>,
}

impl Response {
    /// The response of one channel.
    pub fn new(response: &[f32]) -> Self {
        let mut planner = FftPlannerScalar::<f32>::new();
        let (forward, back) = (planner.plan_fft_forward(2 * PART), planner.plan_fft_inverse(2 * PART));
        let parts = response.chunks(PART).map(|part| spectrum(&*forward, part)).collect();
        Self { parts, length: response.len(), forward, back }
    }

    /// Samples of the response; what came before them is not heard any more.
    pub fn len(&self) -> usize {
        self.length
    }

    /// True for a response of no sample, which answers nothing.
    pub fn is_empty(&self) -> bool {
        self.length == 0
    }

    /// The sound with its tail: `samples.len() + self.len() - 1` samples, none for no response.
    pub fn answer(&self, samples: &[f32]) -> Vec<f32> {
        if samples.is_empty() || self.is_empty() {
            return Vec::new();
        }
        let inputs: Vec<Vec<Complex32>> =
            samples.chunks(PART).map(|part| spectrum(&*self.forward, part)).collect();
        let length = samples.len() + self.length - 1;
        let blocks = inputs.len() + self.parts.len() - 1;
        let mut out = vec![0f32; (blocks + 1) * PART];
        let mut sum = vec![Complex32::default(); 2 * PART];
        for block in 0..blocks {
            sum.fill(Complex32::default());
            // Always in the same order, so that sums are the same whichever part of a film is asked for.
            for (k, part) in self.parts.iter().enumerate() {
                let Some(input) = block.checked_sub(k).and_then(|i| inputs.get(i)) else { continue };
                sum.iter_mut().zip(part.iter().zip(input)).for_each(|(s, (a, b))| *s += a * b);
            }
            self.back.process(&mut sum);
            let scale = 1.0 / (2 * PART) as f32;
            let to = &mut out[block * PART..(block + 2) * PART];
            to.iter_mut().zip(&sum).for_each(|(to, v)| *to += v.re * scale);
        }
        out.truncate(length);
        out
    }
}

fn spectrum(forward: &dyn Fft<f32>, part: &[f32]) -> Vec<Complex32> {
    let mut wave = vec![Complex32::default(); 2 * PART];
    wave.iter_mut().zip(part).for_each(|(to, v)| to.re = *v);
    forward.process(&mut wave);
    wave
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(samples: usize, seed: u32) -> Vec<f32> {
        (0..samples as u32)
            .map(|i| ((i ^ seed).wrapping_mul(2_654_435_761) >> 8) as f32 / 8_388_608.0 - 1.0)
            .collect()
    }

    #[test]
    fn it_is_the_sum_of_the_definition() {
        for (a, b) in [(1usize, 1usize), (5000, 9000), (9001, 100), (4096, 4096)] {
            let (sound, response) = (noise(a, 1), noise(b, 77));
            let made = Response::new(&response).answer(&sound);
            assert_eq!(made.len(), a + b - 1);
            for i in [0, 1, a / 2, a + b - 2, (a + b) / 3].map(|i| i.min(a + b - 2)) {
                let first = i.saturating_sub(b - 1);
                let truth: f64 =
                    (first..=i.min(a - 1)).map(|k| f64::from(sound[k]) * f64::from(response[i - k])).sum();
                assert!((f64::from(made[i]) - truth).abs() < 1e-4 * (b as f64).sqrt(), "{a} {b} {i}");
            }
        }
        assert!(Response::new(&[]).answer(&[1.0]).is_empty());
    }
}

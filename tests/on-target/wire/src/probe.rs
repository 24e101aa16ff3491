//! Measuring the parts of what an image does.

/// Runs a part and measures it, or not.
pub trait Probe<P> {
    /// Runs it.
    fn run<T>(&mut self, part: P, f: impl FnOnce() -> T) -> T;
}

/// Measures nothing.
pub struct NoProbe;

impl<P> Probe<P> for NoProbe {
    fn run<T>(&mut self, _: P, f: impl FnOnce() -> T) -> T {
        f()
    }
}

//! The detector of one's own that the image carries with the feature `own`; else none.

#[cfg(feature = "own")]
pub use head_shake::HeadShake as Own;

/// None.
#[cfg(not(feature = "own"))]
pub type Own = ();

use firmware_core::detector::Detector;

/// At its defaults.
pub fn own() -> Own {
    let mut params = [0.0; 16];
    for (value, param) in params.iter_mut().zip(<Own as Detector>::PARAMS) {
        *value = param.default;
    }
    <Own as Detector>::new(params.get(..<Own as Detector>::PARAMS.len()).unwrap_or_default())
}

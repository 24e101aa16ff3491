//! One text for a driver that blocks and for one that waits in an executor: a driver is a macro
//! that is called twice, with `now` and with `later`, which stand around every transfer.

/// The value itself.
macro_rules! now {
    ($value:expr) => {
        $value
    };
}

/// The value, once it is there.
macro_rules! later {
    ($value:expr) => {
        $value.await
    };
}

//! What a recovered or a lost tag has to tell: flash images and satellite messages.

mod image;
mod messages;
mod port;
mod salvage;
mod tables;
mod text;

pub use image::{Event, HourRow, ImageReport, RawBurst, SegmentCounts, StartRow};
pub use image::{of_bytes, read_image};
pub use messages::{CoursePoint, DeploymentReport, MessageReport, read_messages};
pub use port::{Download, read_port};
pub use salvage::{Damage, Kept, Missing, Salvage, SegmentState, salvage};
pub use tables::{write_course, write_image};
pub use text::{of_image, of_messages};

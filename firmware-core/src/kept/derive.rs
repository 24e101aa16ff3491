//! What `#[derive(Kept!)]` writes, and the same for a detector of one's own.

/// Derives [`Kept`](super::Kept) for a struct with named fields, or an enum without data.
macro_rules! Kept {
    (
        $(#[$meta:meta])* $vis:vis struct $name:ident $(<$t:ident : $bound:ident $(= ())?>)? {
            $( $(#[$fmeta:meta])* $fvis:vis $field:ident : $ty:ty ),* $(,)?
        }
    ) => {
        impl $(<$t: $bound>)? $crate::kept::Kept for $name $(<$t>)? {
            fn blank() -> Self {
                $name { $( $field: $crate::kept::Kept::blank(), )* }
            }
            #[inline(never)]
            fn visit(&mut self, cursor: &mut $crate::kept::Cursor<'_>) {
                $( self.$field.visit(cursor); )*
            }
        }
    };
    (
        $(#[$meta:meta])* $vis:vis enum $name:ident {
            $(#[$fmeta:meta])* $first:ident $(, $(#[$vmeta:meta])* $variant:ident )* $(,)?
        }
    ) => {
        impl $crate::kept::Kept for $name {
            fn blank() -> Self {
                $name::$first
            }
            fn visit(&mut self, cursor: &mut $crate::kept::Cursor<'_>) {
                let mut code = *self as u8;
                code.visit(cursor);
                match [$name::$first $(, $name::$variant )*].get(usize::from(code)) {
                    Some(variant) => *self = *variant,
                    None => cursor.spoil(),
                }
            }
        }
    };
}
pub(crate) use Kept;

/// A struct with named fields whose state is kept across a reset, as that of a
/// [`Detector`](crate::detector::Detector) has to be: write it within this macro, with all derives
/// that it needs. Its fields are numbers, `bool`, arrays, options and tuples of such, or structs
/// made the same way.
#[macro_export]
macro_rules! kept {
    (
        $(#[$meta:meta])* $vis:vis struct $name:ident {
            $( $(#[$fmeta:meta])* $fvis:vis $field:ident : $ty:ty ),* $(,)?
        }
    ) => {
        $(#[$meta])* $vis struct $name {
            $( $(#[$fmeta])* $fvis $field : $ty ),*
        }
        impl $crate::kept::Kept for $name {
            fn blank() -> Self {
                $name { $( $field: $crate::kept::Kept::blank(), )* }
            }
            fn visit(&mut self, cursor: &mut $crate::kept::Cursor<'_>) {
                $( $crate::kept::Kept::visit(&mut self.$field, cursor); )*
            }
        }
    };
}

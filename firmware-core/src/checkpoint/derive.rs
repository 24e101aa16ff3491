//! What `#[derive(Kept!)]` writes.

/// Derives [`Kept`](super::cursor::Kept) for a struct with named fields, or an enum without data.
macro_rules! Kept {
    (
        $(#[$meta:meta])* $vis:vis struct $name:ident {
            $( $(#[$fmeta:meta])* $fvis:vis $field:ident : $ty:ty ),* $(,)?
        }
    ) => {
        impl $crate::checkpoint::Kept for $name {
            fn blank() -> Self {
                $name { $( $field: $crate::checkpoint::Kept::blank(), )* }
            }
            #[inline(never)]
            fn visit(&mut self, cursor: &mut $crate::checkpoint::Cursor<'_>) {
                $( self.$field.visit(cursor); )*
            }
        }
    };
    (
        $(#[$meta:meta])* $vis:vis enum $name:ident {
            $(#[$fmeta:meta])* $first:ident $(, $(#[$vmeta:meta])* $variant:ident )* $(,)?
        }
    ) => {
        impl $crate::checkpoint::Kept for $name {
            fn blank() -> Self {
                $name::$first
            }
            fn visit(&mut self, cursor: &mut $crate::checkpoint::Cursor<'_>) {
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

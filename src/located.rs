//! A value of a definition file with the place where it stands, so that a later check can point at it.

use std::borrow::Cow;
use std::ops::Deref;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Line and column (both from 1; 0 where unknown) and length in characters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Spot {
    /// Line, from 1.
    pub line: u64,
    /// Column, from 1.
    pub column: u64,
    /// Characters.
    pub length: u64,
}

/// A value and where it was written.
#[derive(Clone, Copy, Debug)]
pub struct Located<T> {
    /// The value.
    pub value: T,
    /// Where it stands.
    pub spot: Spot,
}

impl<T> Located<T> {
    /// A value that no file holds (a default, a test).
    pub const fn nowhere(value: T) -> Self {
        Self { value, spot: Spot { line: 0, column: 0, length: 0 } }
    }
}

impl<T> Deref for Located<T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.value
    }
}

// Two equal values at different places are equal: moving a line changes no result.
impl<T: PartialEq> PartialEq for Located<T> {
    fn eq(&self, other: &Self) -> bool {
        self.value == other.value
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Located<T> {
    fn deserialize<D: Deserializer<'de>>(de: D) -> Result<Self, D::Error> {
        let s = serde_yaml::Spanned::<T>::deserialize(de)?;
        let (at, span) = (s.referenced, s.referenced.span());
        Ok(Self { value: s.value, spot: Spot { line: at.line(), column: at.column(), length: span.len() } })
    }
}

impl<T: Serialize> Serialize for Located<T> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        self.value.serialize(s)
    }
}

impl<T: JsonSchema> JsonSchema for Located<T> {
    fn inline_schema() -> bool {
        T::inline_schema()
    }
    fn schema_name() -> Cow<'static, str> {
        T::schema_name()
    }
    fn schema_id() -> Cow<'static, str> {
        T::schema_id()
    }
    fn json_schema(g: &mut SchemaGenerator) -> Schema {
        T::json_schema(g)
    }
}

//! A registration as it is written down: every number as it is, nothing that follows from others.

use nalgebra::Vector2;
use serde::{Deserialize, Serialize};

use super::{Model, Registration, ResidualField};
use crate::scene::Homography;

/// Numbers that cannot be a registration's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum RecordError {
    #[error("the map cannot be inverted")]
    Singular,
    #[error("the field has {found} coefficients, not {needed}")]
    Coefficients { found: usize, needed: usize },
    #[error("a number of the field is not finite")]
    NotFinite,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct RegistrationRecord {
    model: Model,
    homography: Homography,
    field: Option<ResidualField>,
    residual_px: f64,
    tiles: usize,
}

impl From<Registration> for RegistrationRecord {
    fn from(whole: Registration) -> Self {
        Self {
            model: whole.model,
            homography: whole.homography,
            field: whole.field,
            residual_px: whole.residual_px,
            tiles: whole.tiles,
        }
    }
}

impl TryFrom<RegistrationRecord> for Registration {
    type Error = RecordError;

    fn try_from(record: RegistrationRecord) -> Result<Self, RecordError> {
        Ok(Self {
            model: record.model,
            homography: record.homography,
            field: record.field,
            residual_px: record.residual_px,
            tiles: record.tiles,
            inverse: record.homography.inverse().ok_or(RecordError::Singular)?,
        })
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct FieldRecord {
    origin: f64,
    cell: f64,
    columns: usize,
    rows: usize,
    coefficients: Vec<[f64; 2]>,
    stiffness: f64,
}

impl From<ResidualField> for FieldRecord {
    fn from(field: ResidualField) -> Self {
        Self {
            origin: field.origin,
            cell: field.cell,
            columns: field.columns,
            rows: field.rows,
            coefficients: field.coefficients.iter().map(|c| [c.x, c.y]).collect(),
            stiffness: field.stiffness,
        }
    }
}

impl TryFrom<FieldRecord> for ResidualField {
    type Error = RecordError;

    fn try_from(record: FieldRecord) -> Result<Self, RecordError> {
        let (found, needed) = (
            record.coefficients.len(),
            record.columns.saturating_mul(record.rows),
        );
        if found != needed {
            return Err(RecordError::Coefficients { found, needed });
        }
        let spaced = record.cell > 0.0 && record.origin.is_finite();
        let finite = record.coefficients.iter().flatten().all(|v| v.is_finite());
        if !(spaced && finite && record.cell.is_finite()) {
            return Err(RecordError::NotFinite);
        }
        Ok(Self {
            origin: record.origin,
            cell: record.cell,
            columns: record.columns,
            rows: record.rows,
            coefficients: record
                .coefficients
                .into_iter()
                .map(|[x, y]| Vector2::new(x, y))
                .collect(),
            stiffness: record.stiffness,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::Point;

    #[test]
    fn a_registration_comes_back_bit_by_bit() {
        let record = RegistrationRecord {
            model: Model::Homography,
            homography: Homography::from_rows([
                1.001,
                0.002,
                1.0 / 3.0,
                -0.001,
                0.999,
                -2.7,
                1e-7,
                -3e-8,
                1.0,
            ])
            .unwrap(),
            field: Some(
                FieldRecord {
                    origin: -0.5,
                    cell: 24.0,
                    columns: 5,
                    rows: 4,
                    coefficients: (0..20).map(|i| [f64::from(i) / 7.0, 0.1]).collect(),
                    stiffness: 0.04,
                }
                .try_into()
                .unwrap(),
            ),
            residual_px: 0.06,
            tiles: 200,
        };
        let registration = Registration::try_from(record).unwrap();
        let text = serde_json::to_string(&registration).unwrap();
        let again: Registration = serde_json::from_str(&text).unwrap();
        assert_eq!(again, registration);
        let at = Point { x: 31.0, y: 17.0 };
        assert_eq!(again.plate_point(at), registration.plate_point(at));
    }

    #[test]
    fn a_field_with_numbers_missing_is_refused() {
        let text = r#"{"origin":-0.5,"cell":24.0,"columns":5,"rows":4,"coefficients":[[0,0]],
            "stiffness":0.04}"#;
        let field: Result<ResidualField, _> = serde_json::from_str(text);
        assert!(field.unwrap_err().to_string().contains("1 coefficients"));
    }
}

//! Laboratory samples and results.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, SampleId, WheelId};

/// A sample was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabSampled {
    /// The sample.
    pub sample: SampleId,
    /// The batch it stands for.
    pub batch: Option<BatchId>,
    /// The wheels it was taken from.
    pub wheels: Vec<WheelId>,
    /// What it is to be tested for.
    pub test: String,
}

/// What a result means for the cheese.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within the limits.
    Satisfactory,
    /// Above the lower limit, within what the plan accepts.
    Acceptable,
    /// Outside the limits.
    Unsatisfactory,
}

/// A result came back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabResulted {
    /// The sample.
    pub sample: SampleId,
    /// What it was tested for.
    pub test: String,
    /// The value as the laboratory wrote it.
    pub value: String,
    /// The verdict.
    pub verdict: Verdict,
}

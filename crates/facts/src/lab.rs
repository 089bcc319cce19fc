//! Laboratory samples and results.

use quantity::Grams;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, RoomId, SampleId, Scope, ToolId, WheelId};

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
    /// The sampling plan it is taken for, as the dairy's safety file names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
    /// What it stands for, where that is not its batch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<Scope>,
    /// How much cheese was taken and used up, in all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_g: Option<Grams>,
}

/// A surface was swabbed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabSwabbed {
    /// The sample.
    pub sample: SampleId,
    /// The room.
    pub room: Option<RoomId>,
    /// The tool, where it was one.
    pub tool: Option<ToolId>,
    /// The point swabbed, in the words of the dairy's own plan.
    pub point: String,
    /// How near to the cheese: 1 touches it, 2 is beside it, 3 is in the room, 4 is outside.
    pub zone: u8,
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
    /// The values of the single units of the sample, as the laboratory wrote them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub units: Vec<String>,
    /// The laboratory's report.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub report: Option<String>,
}

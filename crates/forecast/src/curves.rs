//! Curves over time, for charts: what was seen, what is expected, how sure that is.

use facts::WheelId;
use serde::Serialize;

use crate::posterior::Posterior;
use crate::when::around;

/// A point of a curve, days since 1970 and percent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// When.
    pub at_days: f64,
    /// Expected: the middle.
    pub expected_pct: f64,
    /// Half the time within these.
    pub p50_pct: (f64, f64),
    /// Four times in five.
    pub p80_pct: (f64, f64),
}

/// A batch's growth, to be drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Curves {
    /// Rind cover of the batch.
    pub rind: Vec<CurvePoint>,
    /// Looks at the rind: days since 1970 and percent.
    pub rind_seen: Vec<(f64, f64)>,
    /// Blue coverage of the batch's middle wheel; empty while no piercing is in sight.
    pub blue: Vec<CurvePoint>,
    /// Cores: wheel, days since 1970, percent.
    pub cores: Vec<(WheelId, f64, f64)>,
    /// When it was pierced or is expected to be, and whether it was; days since 1970.
    pub pierced: (f64, bool),
    /// The blue coverage that counts as ready, %.
    pub ready_pct: f64,
    /// When it is ready: 10, 50 and 90 %, days since 1970.
    pub ready_days: (f64, f64, f64),
    /// The present, days since 1970.
    pub now_days: f64,
}

/// A curve through effective days `grown(at)`; after `now` the pace is as unsure as `ahead`.
pub(crate) fn curve(
    posterior: &Posterior,
    times: impl Iterator<Item = f64>,
    grown: impl Fn(f64) -> f64,
    now: f64,
    ahead: f64,
) -> Vec<CurvePoint> {
    let nodes: Vec<(f64, f64, f64)> = posterior.over_batch().filter(|n| n.2 > 1e-6).collect();
    let growth = posterior.growth();
    let by_now = grown(now);
    let point = |at: f64| {
        let effective = grown(at);
        let more = (effective - by_now).max(0.0);
        let mut shares: Vec<(f64, f64)> = Vec::with_capacity(nodes.len());
        let mut take = |effective: f64, weight: f64| {
            shares.extend(nodes.iter().map(|(scale, steeper, w)| {
                (growth.share_pct(effective, *scale, *steeper), w * weight)
            }));
        };
        if more > 0.0 {
            for (off, weight) in around(0.0, ahead) {
                take(effective - more + more * off.exp(), weight);
            }
        } else {
            take(effective, 1.0);
        }
        shares.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = shares.iter().map(|(_, w)| w).sum();
        let quantile = |p: f64| {
            let mut passed = 0.0;
            let found = shares.iter().find(|(_, weight)| {
                passed += weight;
                passed >= p * all
            });
            found.or(shares.last()).map_or(0.0, |(share, _)| *share)
        };
        CurvePoint {
            at_days: at,
            expected_pct: quantile(0.5),
            p50_pct: (quantile(0.25), quantile(0.75)),
            p80_pct: (quantile(0.1), quantile(0.9)),
        }
    };
    times.map(point).collect()
}

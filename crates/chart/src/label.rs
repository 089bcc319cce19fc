//! Where words go so that none lies on another.

/// A box that is taken: left, top, right, bottom.
pub(crate) type Taken = [f64; 4];

pub(crate) fn overlap(a: &Taken, b: &Taken) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

/// Shifts labels up and down, as little as it takes, so that they keep their order and do not
/// overlap. Each wants its middle at a place and is so high; they are given from the top down.
/// When there is no room for all, those at the bottom overlap the edge.
pub(crate) fn apart(wanted: &[(f64, f64)], top: f64, bottom: f64) -> Vec<f64> {
    // Labels that touch form a block, whose middle is where its labels want it on average
    // (pool adjacent violators: the least squares answer).
    struct Block {
        first: usize,
        count: usize,
        height: f64,
        /// Sum of wanted places of the block's own top.
        sum: f64,
    }
    impl Block {
        fn top(&self, top: f64, bottom: f64) -> f64 {
            let wanted = self.sum / self.count as f64;
            wanted.min(bottom - self.height).max(top)
        }
    }
    let mut blocks: Vec<Block> = Vec::new();
    for (first, (middle, height)) in wanted.iter().enumerate() {
        let mut block = Block {
            first,
            count: 1,
            height: *height,
            sum: middle - height / 2.0,
        };
        while let Some(above) = blocks
            .pop_if(|above| above.top(top, bottom) + above.height > block.top(top, bottom) + 1e-9)
        {
            let lower = block.sum - above.height * block.count as f64;
            block = Block {
                first: above.first,
                count: above.count + block.count,
                height: above.height + block.height,
                sum: above.sum + lower,
            };
        }
        blocks.push(block);
    }
    let mut middles = Vec::with_capacity(wanted.len());
    for block in &blocks {
        let mut y = block.top(top, bottom);
        for (_, height) in wanted.iter().skip(block.first).take(block.count) {
            middles.push(y + height / 2.0);
            y += height;
        }
    }
    middles
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn labels_with_room_stay_where_they_are_and_others_share_the_shift() {
        assert_eq!(apart(&[(10.0, 8.0), (50.0, 8.0)], 0.0, 100.0), [10.0, 50.0]);
        assert_eq!(apart(&[(50.0, 8.0), (50.0, 8.0)], 0.0, 100.0), [46.0, 54.0]);
        assert_eq!(apart(&[(1.0, 8.0), (99.0, 8.0)], 0.0, 100.0), [4.0, 96.0]);
    }

    proptest! {
        #[test]
        fn labels_never_overlap_and_stay_inside_while_there_is_room(
            mut places in proptest::collection::vec(0.0_f64..100.0, 1..10),
        ) {
            places.sort_by(f64::total_cmp);
            let wanted: Vec<_> = places.iter().map(|y| (*y, 10.0)).collect();
            let got = apart(&wanted, 0.0, 100.0);
            prop_assert_eq!(got.len(), wanted.len());
            prop_assert!(got.windows(2).all(|pair| pair[1] - pair[0] >= 10.0 - 1e-6));
            prop_assert!(got.iter().all(|y| (5.0 - 1e-6..=95.0 + 1e-6).contains(y)));
        }
    }
}

//! Plane geometry on the sheet, in px with y downwards: clipping, thinning, dashes, label spacing.

use std::collections::BTreeMap;

/// x and y, px.
pub(crate) type Point = (f64, f64);

/// An upright rectangle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Rect {
    pub fn width(&self) -> f64 {
        self.right - self.left
    }

    pub fn height(&self) -> f64 {
        self.bottom - self.top
    }

    /// Whether the point is inside or on the edge; half a pixel is forgiven for rounding.
    pub fn holds(&self, (x, y): Point) -> bool {
        (self.left - 0.5..=self.right + 0.5).contains(&x)
            && (self.top - 0.5..=self.bottom + 0.5).contains(&y)
    }

    pub fn corners(&self) -> [Point; 4] {
        [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
        ]
    }

    /// The part of a segment inside (Liang and Barsky, ACM TOG 3(1), 1984, 1-22).
    fn clip_segment(&self, a: Point, b: Point) -> Option<(Point, Point)> {
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
        for (slope, room) in [
            (-dx, a.0 - self.left),
            (dx, self.right - a.0),
            (-dy, a.1 - self.top),
            (dy, self.bottom - a.1),
        ] {
            if slope == 0.0 && room < 0.0 {
                return None;
            } else if slope < 0.0 {
                enter = enter.max(room / slope);
            } else if slope > 0.0 {
                leave = leave.min(room / slope);
            }
        }
        let along = |t: f64| (a.0 + t * dx, a.1 + t * dy);
        (enter <= leave).then(|| {
            (if enter > 0.0 { along(enter) } else { a }, if leave < 1.0 { along(leave) } else { b })
        })
    }

    /// The parts of a path inside, each unbroken.
    pub fn clip_path(&self, path: &[Point]) -> Vec<Vec<Point>> {
        let mut parts: Vec<Vec<Point>> = Vec::new();
        for pair in path.windows(2) {
            if let Some((from, to)) = self.clip_segment(pair[0], pair[1]) {
                match parts.last_mut() {
                    Some(part) if part.last() == Some(&from) => part.push(to),
                    _ => parts.push(vec![from, to]),
                }
            }
        }
        parts
    }

    /// The part of a polygon inside (Sutherland and Hodgman, CACM 17(1), 1974, 32-42).
    pub fn clip_polygon(&self, polygon: Vec<Point>) -> Vec<Point> {
        // Signed distance inward from each edge.
        let edges: [&dyn Fn(Point) -> f64; 4] =
            [&|p| p.0 - self.left, &|p| self.right - p.0, &|p| p.1 - self.top, &|p| {
                self.bottom - p.1
            }];
        edges.iter().fold(polygon, |polygon, depth| {
            let mut kept = Vec::with_capacity(polygon.len() + 4);
            let before = polygon.iter().cycle().skip(polygon.len().max(1) - 1);
            for (&a, &b) in before.zip(&polygon) {
                let (da, db) = (depth(a), depth(b));
                if (da < 0.0) != (db < 0.0) {
                    let t = da / (da - db);
                    kept.push((a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1)));
                }
                if db >= 0.0 {
                    kept.push(b);
                }
            }
            kept
        })
    }
}

/// Width of the columns to which dense points are thinned, px. Markers are wider.
const COLUMN: f64 = 2.0;

/// Keeps the highest and the lowest point of each column if there are more than four per column,
/// so that a chart of many thousand points stays small and still shows every extreme.
pub(crate) fn thin_points(points: Vec<Point>, width: f64) -> Vec<Point> {
    if (points.len() as f64) < 4.0 * width / COLUMN {
        return points;
    }
    let mut columns = BTreeMap::new();
    for p in points {
        let column = (p.0 / COLUMN).floor() as i64;
        let (high, low) = columns.entry(column).or_insert((p, p));
        if p.1 < high.1 {
            *high = p;
        }
        if p.1 > low.1 {
            *low = p;
        }
    }
    let pairs = columns.into_values();
    pairs
        .flat_map(|(high, low)| std::iter::once(high).chain((low != high).then_some(low)))
        .collect()
}

/// Keeps the first, the extreme and the last point of each run in one pixel column; the line drawn
/// through them covers the same pixels.
pub(crate) fn thin_path(path: &[Point]) -> Vec<Point> {
    let mut kept = Vec::new();
    for run in path.chunk_by(|a, b| a.0.floor() == b.0.floor()) {
        let by_y = |a: &&Point, b: &&Point| a.1.total_cmp(&b.1);
        let position = |p: Option<&Point>| run.iter().position(|q| Some(q) == p).unwrap_or(0);
        let high = position(run.iter().min_by(by_y));
        let low = position(run.iter().max_by(by_y));
        let mut indices = [0, high.min(low), high.max(low), run.len() - 1].to_vec();
        indices.dedup();
        kept.extend(indices.into_iter().map(|i| run[i]));
    }
    kept
}

/// Cuts a path into dashes; `pattern` is drawn and skipped lengths in turn, px.
pub(crate) fn dashes(path: &[Point], pattern: &[f64]) -> Vec<Vec<Point>> {
    let mut dashes = Vec::new();
    let mut dash = path.first().map(|&p| vec![p]).unwrap_or_default();
    let (mut index, mut rest) = (0, pattern[0]);
    for pair in path.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        let mut done = 0.0;
        while length - done > rest {
            done += rest;
            let t = done / length;
            let p = (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1));
            if index % 2 == 0 {
                dash.push(p);
                dashes.push(std::mem::take(&mut dash));
            } else {
                dash = vec![p];
            }
            index = (index + 1) % pattern.len();
            rest = pattern[index];
        }
        rest -= length - done;
        if index % 2 == 0 {
            dash.push(b);
        }
    }
    if dash.len() > 1 {
        dashes.push(dash);
    }
    dashes
}

/// Length of a path, px.
pub(crate) fn length(path: &[Point]) -> f64 {
    let steps = path.windows(2);
    steps.map(|p| (p[1].0 - p[0].0).hypot(p[1].1 - p[0].1)).sum()
}

/// Moves labels of the given sizes apart with the least sum of squared shifts (isotonic regression,
/// pool adjacent violators), then into `low..high` as far as they fit. Items are (wanted centre,
/// size); the centres come back in the same order.
pub(crate) fn spread(items: &[(f64, f64)], low: f64, high: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by(|&a, &b| items[a].0.total_cmp(&items[b].0));
    // Distance of each label from the first one when all are packed tight.
    let mut packed = Vec::with_capacity(items.len());
    let mut end = 0.0;
    for &i in &order {
        packed.push(end + items[i].1 / 2.0);
        end += items[i].1;
    }
    let mut pools: Vec<(f64, f64)> = Vec::new();
    for (&i, offset) in order.iter().zip(&packed) {
        let mut pool = (items[i].0 - offset, 1.0);
        while let Some(&(mean, count)) = pools.last()
            && mean > pool.0
        {
            pool = ((mean * count + pool.0 * pool.1) / (count + pool.1), count + pool.1);
            pools.pop();
        }
        pools.push(pool);
    }
    let starts =
        pools.into_iter().flat_map(|(mean, count)| std::iter::repeat_n(mean, count as usize));
    let mut centres = vec![0.0; items.len()];
    for ((&i, offset), start) in order.iter().zip(&packed).zip(starts) {
        centres[i] = start.min(high - end).max(low) + offset;
    }
    centres
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNIT: Rect = Rect { left: 0.0, top: 0.0, right: 1.0, bottom: 1.0 };

    #[test]
    fn path_is_cut_at_the_edges() {
        let parts =
            UNIT.clip_path(&[(-1.0, 0.5), (0.5, 0.5), (0.5, 2.0), (0.75, 2.0), (0.75, 0.0)]);
        let expected = [vec![(0.0, 0.5), (0.5, 0.5), (0.5, 1.0)], vec![(0.75, 1.0), (0.75, 0.0)]];
        assert_eq!(parts, expected);
    }

    #[test]
    fn polygon_is_cut_at_the_edges() {
        let diamond = vec![(0.5, -0.5), (1.5, 0.5), (0.5, 1.5), (-0.5, 0.5)];
        let clipped = UNIT.clip_polygon(diamond);
        // Shoelace area: the diamond covers the whole unit square.
        let next = clipped.iter().cycle().skip(1);
        let twice: f64 = clipped.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum();
        assert_eq!(twice / 2.0, 1.0);
        assert!(UNIT.clip_polygon(vec![(2.0, 2.0), (3.0, 2.0), (2.0, 3.0)]).is_empty());
        assert!(UNIT.clip_polygon(Vec::new()).is_empty());
    }

    #[test]
    fn thinning_keeps_every_extreme() {
        let points: Vec<Point> =
            (0..10_000).map(|i| (f64::from(i) * 0.01, f64::from(i * 7919 % 1000))).collect();
        let thinned = thin_points(points.clone(), 100.0);
        assert!(thinned.len() <= 100);
        let path = thin_path(&points);
        assert!(path.len() <= 400);
        assert_eq!(path.first(), points.first());
        assert_eq!(path.last(), points.last());
        for column in points.chunk_by(|a, b| (a.0 / 2.0).floor() == (b.0 / 2.0).floor()) {
            let low = column.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
            let high = column.iter().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
            for extreme in [low, high] {
                assert!(thinned.contains(extreme) && path.contains(extreme));
            }
        }
        // A few points in one column are all kept.
        let few = vec![(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)];
        assert_eq!(thin_points(few.clone(), 100.0), few);
    }

    #[test]
    fn dashes_follow_the_pattern_round_corners() {
        let cut = dashes(&[(0.0, 0.0), (5.0, 0.0), (5.0, 5.0)], &[3.0, 1.0]);
        let expected = [
            vec![(0.0, 0.0), (3.0, 0.0)],
            vec![(4.0, 0.0), (5.0, 0.0), (5.0, 2.0)],
            vec![(5.0, 3.0), (5.0, 5.0)],
        ];
        assert_eq!(cut, expected);
        assert!(dashes(&[], &[1.0, 1.0]).is_empty());
    }

    #[test]
    fn labels_are_spread_symmetrically_and_stay_inside() {
        let close = [(50.0, 10.0), (50.0, 10.0), (90.0, 10.0)];
        assert_eq!(spread(&close, 0.0, 100.0), [45.0, 55.0, 90.0]);
        assert_eq!(spread(&[(99.0, 10.0), (98.0, 10.0)], 0.0, 100.0), [95.0, 85.0]);
        assert_eq!(spread(&[(1.0, 10.0)], 0.0, 100.0), [5.0]);
    }
}

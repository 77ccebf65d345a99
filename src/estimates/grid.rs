//! Which sampling units lie beside each other, from their places on the map.
//!
//! Two units are neighbours when no third one lies within the circle whose diameter is the line
//! between them (Gabriel & Sokal 1969, Systematic Zoology 18; from memory): on a square or oblong
//! grid, turned or not, these are the units next in the row and next in the column. Pairs more than
//! twice as far apart as the middle pair reach over a gap and are left out. Lines are taken along
//! the direction in which most neighbours lie (of equal ones, the nearer to north).

use std::f64::consts::PI;

/// Candidates for neighbours of a unit: the nearest so many.
const NEAREST: usize = 16;
/// A pair longer than this many times the middle pair reaches over a gap.
const GAP: f64 = 2.0;
/// Rounding of coordinates, as a share of the squared distance.
const ROUNDING: f64 = 1e-6;
/// Pairs within so much of the direction of a line belong to it.
const HALF_SECTOR: f64 = PI / 8.0;

/// Pairs of neighbours in every direction, each once, sorted.
pub(super) fn neighbours(places: &[(f64, f64)]) -> Vec<(usize, usize)> {
    let squared = |a: usize, b: usize| {
        let (dx, dy) = (places[a].0 - places[b].0, places[a].1 - places[b].1);
        dx * dx + dy * dy
    };
    let mut pairs = Vec::new();
    for a in 0..places.len() {
        let mut near: Vec<usize> = (0..places.len()).filter(|b| *b != a).collect();
        let nearer =
            |b: &usize, c: &usize| squared(a, *b).total_cmp(&squared(a, *c)).then(b.cmp(c));
        if near.len() > NEAREST {
            near.select_nth_unstable_by(NEAREST, nearer);
            near.truncate(NEAREST);
        }
        near.sort_by(nearer);
        for (at, b) in near.iter().enumerate() {
            let length = squared(a, *b);
            let between = |c: &usize| squared(a, *c) + squared(*b, *c) <= length * (1.0 + ROUNDING);
            if length > 0.0 && !near[..at].iter().any(between) {
                pairs.push((a.min(*b), a.max(*b)));
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    let mut lengths: Vec<f64> = pairs.iter().map(|(a, b)| squared(*a, *b)).collect();
    lengths.sort_by(f64::total_cmp);
    if let Some(middle) = lengths.get(lengths.len() / 2) {
        let longest = GAP * GAP * middle;
        pairs.retain(|(a, b)| squared(*a, *b) <= longest);
    }
    pairs
}

/// Pairs that follow each other along lines, sorted.
pub(super) fn along_lines(places: &[(f64, f64)]) -> Vec<(usize, usize)> {
    let all = neighbours(places);
    // Direction of a pair, from 0 (north) to under pi.
    let direction = |(a, b): &(usize, usize)| {
        let (dx, dy) = (places[*b].0 - places[*a].0, places[*b].1 - places[*a].1);
        dx.atan2(dy).rem_euclid(PI)
    };
    let apart = |one: f64, other: f64| {
        let turn = (one - other).rem_euclid(PI);
        turn.min(PI - turn)
    };
    let mut sorted: Vec<f64> = all.iter().map(direction).collect();
    sorted.sort_by(f64::total_cmp);
    // A direction turned by pi is the same.
    let count_along = |of: f64| -> usize {
        let within = |of: f64| {
            let from = sorted.partition_point(|one| *one <= of - HALF_SECTOR);
            sorted.partition_point(|one| *one < of + HALF_SECTOR) - from
        };
        [of - PI, of, of + PI].into_iter().map(within).sum()
    };
    let mut best: Option<(usize, f64)> = None;
    for of in all.iter().map(direction) {
        let count = count_along(of);
        let better = best.is_none_or(|(most, most_of)| {
            count > most || count == most && apart(of, 0.0) < apart(most_of, 0.0) - ROUNDING
        });
        if better {
            best = Some((count, of));
        }
    }
    best.map_or_else(Vec::new, |(_, of)| {
        let along = |pair: &(usize, usize)| apart(direction(pair), of) < HALF_SECTOR;
        all.into_iter().filter(along).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(
        columns: usize,
        rows: usize,
        (east_m, north_m): (f64, f64),
        turn: f64,
    ) -> Vec<(f64, f64)> {
        let mut places = Vec::new();
        for column in 0..columns {
            for row in 0..rows {
                let (x, y) = (column as f64 * east_m, row as f64 * north_m);
                places.push((
                    x * turn.cos() + y * turn.sin() + 5e5,
                    y * turn.cos() - x * turn.sin() + 6e6,
                ));
            }
        }
        places
    }

    #[test]
    fn a_grid_has_its_rows_and_columns() {
        for turn in [0.0, 0.3, 1.0] {
            let places = grid(5, 4, (167.64, 134.11), turn);
            assert_eq!(neighbours(&places).len(), 5 * 3 + 4 * 4);
        }
    }

    #[test]
    fn lines_run_where_most_neighbours_lie() {
        let columns = along_lines(&grid(3, 12, (150.0, 100.0), 0.2));
        assert_eq!(columns.len(), 3 * 11);
        assert!(columns.iter().all(|(a, b)| b - a == 1));
        // As many both ways: along the columns, which run north.
        let square = along_lines(&grid(4, 4, (100.0, 100.0), 0.0));
        assert!(square.len() == 12 && square.iter().all(|(a, b)| b - a == 1));
    }

    #[test]
    fn gaps_and_lone_units_make_no_pair() {
        let mut places = grid(1, 4, (100.0, 100.0), 0.0);
        places.push((places[0].0, places[0].1 + 5000.0));
        assert_eq!(neighbours(&places), [(0, 1), (1, 2), (2, 3)]);
        assert_eq!(neighbours(&places[..1]), []);
        assert_eq!(along_lines(&[]), []);
        // Twice the same place is no pair.
        assert_eq!(neighbours(&[(1.0, 1.0), (1.0, 1.0)]), []);
    }
}

//! Capitals of 5 x 7 dots, drawn for the legend: no font file is needed.

/// Columns of a letter and of the gap behind it.
pub(super) const ADVANCE: usize = 6;
/// Rows of a letter.
pub(super) const ROWS: usize = 7;
const COLUMNS: usize = 5;

/// Rows from the top; the highest of five bits is the left dot.
#[rustfmt::skip]
const LETTERS: [[u8; ROWS]; 26] = [
    [0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001], // A
    [0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110],
    [0b01111, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b01111],
    [0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110],
    [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111], // E
    [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000],
    [0b01111, 0b10000, 0b10000, 0b10011, 0b10001, 0b10001, 0b01111],
    [0b10001, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001],
    [0b01110, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110], // I
    [0b00111, 0b00010, 0b00010, 0b00010, 0b00010, 0b10010, 0b01100],
    [0b10001, 0b10010, 0b10100, 0b11000, 0b10100, 0b10010, 0b10001],
    [0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b11111],
    [0b10001, 0b11011, 0b10101, 0b10101, 0b10001, 0b10001, 0b10001], // M
    [0b10001, 0b11001, 0b11001, 0b10101, 0b10011, 0b10011, 0b10001],
    [0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110],
    [0b11110, 0b10001, 0b10001, 0b11110, 0b10000, 0b10000, 0b10000],
    [0b01110, 0b10001, 0b10001, 0b10001, 0b10101, 0b10010, 0b01101], // Q
    [0b11110, 0b10001, 0b10001, 0b11110, 0b10100, 0b10010, 0b10001],
    [0b01111, 0b10000, 0b10000, 0b01110, 0b00001, 0b00001, 0b11110],
    [0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100],
    [0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110], // U
    [0b10001, 0b10001, 0b10001, 0b01010, 0b01010, 0b00100, 0b00100],
    [0b10001, 0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001],
    [0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b01010, 0b10001],
    [0b10001, 0b01010, 0b01010, 0b00100, 0b00100, 0b00100, 0b00100], // Y
    [0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b11111],
];

/// Dots of a word, `(column, row)`; what is no letter is a gap.
pub(super) fn dots(word: &str) -> impl Iterator<Item = (usize, usize)> + '_ {
    word.bytes().enumerate().flat_map(|(place, letter)| {
        let index = usize::from(letter.to_ascii_uppercase()).wrapping_sub(usize::from(b'A'));
        let rows = LETTERS.get(index).copied().unwrap_or_default();
        (0..ROWS * COLUMNS)
            .map(|dot| (dot % COLUMNS, dot / COLUMNS))
            .filter(move |&(column, row)| rows[row] >> (COLUMNS - 1 - column) & 1 == 1)
            .map(move |(column, row)| (place * ADVANCE + column, row))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_is_drawn_and_no_two_are_alike() {
        let drawn: std::collections::BTreeSet<_> = LETTERS.iter().collect();
        assert_eq!(drawn.len(), 26);
        assert!(LETTERS.iter().all(|rows| rows.iter().all(|row| *row < 32)));
    }

    #[test]
    fn a_word_runs_to_the_right_and_gaps_stay_empty() {
        let dots: Vec<_> = dots("I I").collect();
        assert!(dots.contains(&(2, 3)) && dots.contains(&(2 * ADVANCE + 2, 3)));
        assert!(
            !dots
                .iter()
                .any(|&(column, _)| (ADVANCE..2 * ADVANCE).contains(&column))
        );
    }
}

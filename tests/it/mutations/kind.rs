//! The kinds of mutations, and what makes each.

use super::subject::{Dice, Due, Mutation, Subject};
use super::{columns, designs, disk, fields, rows, texts};

macro_rules! kinds {
    ($($kind:ident => $make:expr,)*) => {
        /// What is done to a cruise.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub(super) enum Kind {
            $($kind,)*
        }

        impl Kind {
            pub(super) const ALL: [Kind; [$(stringify!($kind)),*].len()] = [$(Kind::$kind),*];

            /// `None` where it is not possible.
            pub(super) fn mutate(self, subject: &Subject, dice: &mut Dice) -> Option<Mutation> {
                let make: fn(&Subject, &mut Dice) -> Option<Mutation> = match self {
                    $(Kind::$kind => $make,)*
                };
                make(subject, dice)
            }
        }
    };
}

kinds! {
    LineDropped => rows::dropped,
    LineDoubled => rows::doubled,
    LinesSwapped => rows::swapped,
    LinesShuffled => rows::shuffled,
    LinesBlank => rows::blank,
    LineOfDelimiters => rows::only_delimiters,
    HeadAgain => rows::head_again,
    HeadDropped => rows::head_dropped,

    FieldDropped => fields::dropped,
    FieldDoubled => fields::doubled,
    FieldsSwapped => fields::swapped,
    FieldsSwappedDown => fields::swapped_down,
    FieldBlank => fields::blank,
    FieldLong => fields::long,
    NumberWild => |s, d| fields::number(s, d, fields::WILD, Due::Told),
    NumberHuge => |s, d| fields::number(s, d, fields::HUGE, Due::Told),
    NumberNegative => |s, d| fields::number_by(s, d, |text, _| format!("-{text}")),
    NumberZero => |s, d| fields::number(s, d, &["0", "0.0", "-0"], Due::Right),
    NumberSuffixed => fields::suffixed,
    DigitLetter => fields::letter_for_digit,
    DigitDropped => |s, d| fields::number_by(s, d, fields::digit_dropped),
    DigitDoubled => |s, d| fields::number_by(s, d, fields::digit_doubled),
    DigitsSwapped => |s, d| fields::number_by(s, d, fields::digits_swapped),
    PointMoved => |s, d| fields::number_by(s, d, fields::point_moved),
    PointDropped => |s, d| fields::number_by(s, d, |text, _| text.replacen('.', "", 1)),
    DecimalComma => fields::decimal_comma,
    SpeciesCase => fields::species_case,
    SpeciesUnknown => |s, d| fields::word(s, d, "species", &["Zz", "??", "Fdd", "12345"]),
    SpeciesOther => |s, d| fields::other_word(s, d, "species"),
    StatusUnknown => |s, d| fields::word(s, d, "status", &["x", "alove", "0", "standing"]),
    StatusOther => |s, d| fields::other_word(s, d, "status"),
    DecayUnknown => |s, d| fields::word(s, d, "decay_class", &["9", "sound", "0", "-1", "1.5"]),
    PlotUnknown => fields::plot_unknown,
    PlotOther => |s, d| fields::other_word(s, d, "plot"),

    ColumnDropped => columns::dropped,
    ColumnRenamed => columns::renamed,
    ColumnMisspelt => columns::misspelt,
    ColumnNameless => columns::nameless,
    ColumnDoubled => columns::doubled,
    ColumnNamedAsOther => columns::named_as_other,
    ColumnInOtherUnit => columns::in_other_unit,
    ColumnsReordered => columns::reordered,
    ColumnsInCapitals => columns::in_capitals,
    ColumnsMany => columns::many,
    DelimiterOther => columns::delimiter_other,
    DelimiterAndComma => columns::delimiter_and_comma,
    DelimiterUnknown => columns::delimiter_unknown,
    DelimiterOfHead => columns::delimiter_of_head,
    DelimiterOfLine => columns::delimiter_of_line,
    QuotesAround => columns::quotes_around,
    SpacesAround => |s, d| columns::padded(s, d, &[" ", "   "]),
    TabsAround => |s, d| columns::padded(s, d, &["\t", " \t"]),
    NonBreakingSpaces => |s, d| columns::padded(s, d, &["\u{a0}", "\u{202f}"]),

    Utf8Mark => |s, d| texts::encoded(s, d, "UTF-8 with mark", texts::utf_8_mark),
    Utf16LittleEnd => |s, d| texts::encoded(s, d, "UTF-16, little end", texts::utf_16_le),
    Utf16BigEnd => |s, d| texts::encoded(s, d, "UTF-16, big end", texts::utf_16_be),
    Utf16Unmarked => texts::utf_16_unmarked,
    Latin1 => texts::latin_1,
    InvalidBytes => texts::invalid_bytes,
    NulByte => texts::nul_byte,
    ControlByte => texts::control_byte,
    LineEndsCrLf => |s, d| texts::encoded(s, d, "CRLF", |text| text.replace('\n', "\r\n").into()),
    LineEndsCr => |s, d| texts::encoded(s, d, "lone CR", |text| text.replace('\n', "\r").into()),
    LineEndsMixed => texts::mixed_line_ends,
    LastLineEndless => |s, d| texts::encoded(s, d, "no last line end", texts::no_last_line_end),
    Empty => texts::empty,
    OtherFileFormat => texts::other_format,
    HeadAlone => texts::head_alone,
    CutOff => texts::cut_off,
    CutOffAtLine => texts::cut_off_at_line,
    QuoteOpen => texts::quote_open,
    QuoteInField => texts::quote_in_field,
    QuotesOverLines => texts::quotes_over_lines,
    CommentLine => texts::comment_line,

    KeyDropped => designs::key_dropped,
    KeyDoubled => designs::key_doubled,
    KeyMisspelt => designs::key_misspelt,
    KeysReordered => designs::keys_reordered,
    ValueOfOtherType => designs::value_of_other_type,
    ValueWild => designs::value_wild,
    ValuePointMoved => designs::value_point_moved,
    Indented => designs::indented,
    IndentedByTab => designs::indented_by_tab,
    CommentsDropped => designs::comments_dropped,
    FileTwice => designs::file_twice,
    FileUnknown => designs::file_unknown,

    Linked => disk::linked,
    Piped => disk::piped,
    LinkDangling => |s, d| disk::link_to(s, d, "nowhere.csv"),
    LinkLoop => disk::link_loop,
    LinkToEmptyDevice => |s, d| disk::link_to(s, d, "/dev/null"),
    LinkToUnreadable => |s, d| disk::link_to(s, d, "/proc/self/mem"),
    Locked => disk::locked,
    Folder => disk::folder,
    Missing => disk::missing,

    OutputFull => |s, d| disk::output(s, d, disk::FULL),
    OutputClosed => |s, d| disk::output(s, d, disk::CLOSED),
    OutputFileFull => |s, d| disk::output(s, d, disk::FILE_FULL),
    OutputOverInput => |s, d| disk::output(s, d, disk::OVER_INPUT),
    OutputUnderFile => |s, d| disk::output(s, d, disk::UNDER_FILE),
    OutputNowhere => |s, d| disk::output(s, d, disk::NOWHERE),
}

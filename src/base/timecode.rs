//! Timecode labels ↔ counts of frames (SMPTE ST 12-1).
//!
//! Knows labels, drop-frame and non-drop counting, and the length of a day of labels; whole numbers
//! only. Does not know where a label stands in a file or what it labels.

use std::fmt;
use std::str::FromStr;

use crate::base::rate::Rate;

/// A label as written, `HH:MM:SS:FF`, before any rate is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Label {
    /// Hours, 0 to 23.
    pub hours: u8,
    /// Minutes, 0 to 59.
    pub minutes: u8,
    /// Seconds, 0 to 59.
    pub seconds: u8,
    /// Frame within the second; its upper bound depends on the rate.
    pub frames: u16,
    /// True when the mark before the frames says drop-frame (`;` or `,`; common practice, no source).
    pub drop_mark: bool,
}

/// Why a text or a number is not a label, or a rate cannot be counted so.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadTimecode {
    /// Not of the form of a label.
    #[error("a timecode is written HH:MM:SS:FF, or HH:MM:SS;FF in drop-frame counting")]
    Form,
    /// Hours, minutes or seconds too large.
    #[error("timecode runs from 00:00:00 to 23:59:59")]
    Clock,
    /// The frame number reaches past the second.
    #[error("frame {frames:02} does not exist: {nominal} frames a second are numbered 00 to {}", nominal - 1)]
    Frame {
        /// The frame number written.
        frames: u16,
        /// Frames that timecode counts in a second.
        nominal: u32,
    },
    /// One of the labels that drop-frame counting leaves out.
    #[error(
        "label {label} does not exist in drop-frame counting: minutes other than 00, 10, 20 … start at ;{dropped:02}"
    )]
    Dropped {
        /// The label written.
        label: Label,
        /// Labels left out at the start of such a minute.
        dropped: u16,
    },
    /// A drop-frame label where frames are counted without dropping.
    #[error("label {0} is written as drop-frame, but frames are counted non-drop here")]
    DropMark(Label),
    /// Drop-frame counting was asked for at a rate that has none.
    #[error("drop-frame counting exists at 29.97, 59.94 and 119.88 frames a second, not at {0}")]
    NoDropAt(Rate),
    /// The rate has no timecode.
    #[error("timecode counts 24, 25, 30 … frames a second or 1000/1001 of that; {0} has none")]
    NoTimecodeAt(Rate),
}

impl FromStr for Label {
    type Err = BadTimecode;

    /// Reads the form of a label. `:` or `.` before the frames means non-drop or not stated, `;` or
    /// `,` means drop-frame; the other two marks are `:`.
    fn from_str(text: &str) -> Result<Self, BadTimecode> {
        let bytes = text.as_bytes();
        // Two digits a field, and a third for the frame numbers of rates above 100.
        if !(11..=12).contains(&bytes.len()) || bytes[2] != b':' || bytes[5] != b':' {
            return Err(BadTimecode::Form);
        }
        let drop_mark = match bytes[8] {
            b':' | b'.' => false,
            b';' | b',' => true,
            _ => return Err(BadTimecode::Form),
        };
        let number = |digits: &[u8]| {
            digits.iter().try_fold(0u16, |sum, digit| match digit {
                b'0'..=b'9' => Ok(sum * 10 + u16::from(digit - b'0')),
                _ => Err(BadTimecode::Form),
            })
        };
        let fields =
            [number(&bytes[..2])?, number(&bytes[3..5])?, number(&bytes[6..8])?, number(&bytes[9..])?];
        let [hours, minutes, seconds, frames] = fields;
        if hours > 23 || minutes > 59 || seconds > 59 {
            return Err(BadTimecode::Clock);
        }
        Ok(Self { hours: hours as u8, minutes: minutes as u8, seconds: seconds as u8, frames, drop_mark })
    }
}

impl fmt::Display for Label {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = if self.drop_mark { ';' } else { ':' };
        write!(f, "{:02}:{:02}:{:02}{mark}{:02}", self.hours, self.minutes, self.seconds, self.frames)
    }
}

/// A way to number the frames of a day: so many a second, dropping labels or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Counting {
    nominal: i64,
    dropped: i64,
}

impl Counting {
    /// Every label of the day in turn.
    ///
    /// # Errors
    /// When the rate is neither a whole number nor 1000/1001 of one.
    pub fn non_drop(rate: Rate) -> Result<Self, BadTimecode> {
        let (frames, seconds) = (u64::from(rate.frames), u64::from(rate.seconds));
        let nominal = u64::from(rate.nominal());
        let whole = frames == nominal * seconds;
        let pulled_down = frames * 1001 == nominal * 1000 * seconds;
        if whole || pulled_down {
            Ok(Self { nominal: nominal as i64, dropped: 0 })
        } else {
            Err(BadTimecode::NoTimecodeAt(rate))
        }
    }

    /// Drop-frame counting: the first labels of every minute but 00, 10, 20, 30, 40 and 50 are left
    /// out, two at 29.97, four at 59.94, eight at 119.88 (SMPTE ST 12-1; the higher rates as frame
    /// pairs and quads, ST 12-3); `tests/checks/timecode.json` holds the labels against it.
    ///
    /// # Errors
    /// When the rate is not one of those.
    pub fn drop_frame(rate: Rate) -> Result<Self, BadTimecode> {
        let plain = Self::non_drop(rate).map_err(|_| BadTimecode::NoDropAt(rate))?;
        let pulled_down =
            u64::from(rate.frames) * 1001 == plain.nominal as u64 * 1000 * u64::from(rate.seconds);
        if pulled_down && [30, 60, 120].contains(&plain.nominal) {
            Ok(Self { dropped: plain.nominal / 15, ..plain })
        } else {
            Err(BadTimecode::NoDropAt(rate))
        }
    }

    /// The counting that a label's own mark asks for, and the frame that it names.
    ///
    /// # Errors
    /// When the text is not a label, the rate has no such counting, or no frame has that label.
    pub fn marked(rate: Rate, text: &str) -> Result<(Self, i64), BadTimecode> {
        let label: Label = text.parse()?;
        let counting = if label.drop_mark { Self::drop_frame(rate) } else { Self::non_drop(rate) }?;
        Ok((counting, counting.count(label)?))
    }

    /// True when labels are dropped.
    pub fn drops(&self) -> bool {
        self.dropped > 0
    }

    /// Frames in ten minutes of labels.
    pub fn frames_in_ten_minutes(&self) -> i64 {
        self.nominal * 600 - self.dropped * 9
    }

    /// Frames in a day of labels; labels repeat after so many.
    pub fn frames_in_a_day(&self) -> i64 {
        self.frames_in_ten_minutes() * 144
    }

    /// The frame that a label names, counted from 0 at `00:00:00:00`.
    ///
    /// A label marked `:` is read by this counting either way, since many lists state drop-frame
    /// once for all and mark every label `:` (common practice, no source).
    ///
    /// # Errors
    /// When no frame has that label.
    pub fn count(&self, label: Label) -> Result<i64, BadTimecode> {
        let frames = i64::from(label.frames);
        if frames >= self.nominal {
            return Err(BadTimecode::Frame { frames: label.frames, nominal: self.nominal as u32 });
        }
        if label.drop_mark && !self.drops() {
            return Err(BadTimecode::DropMark(label));
        }
        let minutes = i64::from(label.hours) * 60 + i64::from(label.minutes);
        if label.seconds == 0 && frames < self.dropped && minutes % 10 != 0 {
            let label = Label { drop_mark: true, ..label };
            return Err(BadTimecode::Dropped { label, dropped: self.dropped as u16 });
        }
        let labels = (minutes * 60 + i64::from(label.seconds)) * self.nominal + frames;
        Ok(labels - self.dropped * (minutes - minutes / 10))
    }

    /// The frame that a label names, from its text.
    ///
    /// # Errors
    /// When the text is not a label, or no frame has that label.
    pub fn parse(&self, text: &str) -> Result<i64, BadTimecode> {
        self.count(text.parse()?)
    }

    /// The label of a frame; frames before 0 or past the day wrap round midnight.
    pub fn label(&self, frame: i64) -> Label {
        let frame = frame.rem_euclid(self.frames_in_a_day());
        let (tens, rest) = (frame / self.frames_in_ten_minutes(), frame % self.frames_in_ten_minutes());
        // The first minute of ten is whole; each of the other nine lacks the dropped labels.
        let short_minute = self.nominal * 60 - self.dropped;
        let short = ((rest - self.dropped) / short_minute).clamp(0, 9);
        let labels = tens * self.nominal * 600 + rest + self.dropped * short;
        let seconds = labels / self.nominal;
        Label {
            hours: (seconds / 3600) as u8,
            minutes: (seconds / 60 % 60) as u8,
            seconds: (seconds % 60) as u8,
            frames: (labels % self.nominal) as u16,
            drop_mark: self.drops(),
        }
    }

    /// Frames from a first frame up to an end that is not included, across midnight when the end
    /// has the smaller number.
    pub fn frames_between(&self, first: i64, end: i64) -> i64 {
        (end - first).rem_euclid(self.frames_in_a_day())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    /// Vectors computed with exact integers from the rule of SMPTE ST 12-1 and cross-checked with
    /// two public timecode libraries; `source` in the file says how. Exact, no tolerance.
    fn vectors() -> Value {
        serde_json::from_str(include_str!("../../tests/checks/timecode.json")).unwrap()
    }

    fn counting(name: &str) -> (Rate, Counting) {
        let rate: Rate = name.trim_end_matches("ndf").trim_end_matches("df").parse().unwrap();
        let drops = name.ends_with("df") && !name.ends_with("ndf");
        let counting = if drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) };
        (rate, counting.unwrap())
    }

    fn list<'a>(all: &'a Value, name: &str) -> &'a [Value] {
        let list = all[name].as_array().unwrap();
        assert!(!list.is_empty());
        list
    }

    fn text<'a>(value: &'a Value, key: &str) -> &'a str {
        value[key].as_str().unwrap()
    }

    fn int(value: &Value, key: &str) -> i64 {
        value[key].as_i64().unwrap()
    }

    /// `n/d` in lowest terms, as the vectors write it.
    fn ratio(n: i64, d: i64) -> String {
        let (mut a, mut b) = (n.abs(), d);
        while b > 0 {
            (a, b) = (b, a % b);
        }
        let a = a.max(1);
        if d / a == 1 { format!("{}", n / a) } else { format!("{}/{}", n / a, d / a) }
    }

    #[test]
    fn outside_check_frame_to_label() {
        let all = vectors();
        for case in list(&all, "frame_to_tc") {
            let (rate, counting) = counting(text(case, "rate"));
            let frame = int(case, "frame");
            let label = counting.label(frame).to_string();
            assert_eq!(label, text(case, "tc"), "{case}");
            assert_eq!(counting.parse(&label), Ok(int(case, "frame_after_24h_wrap")), "{case}");
            assert_eq!(
                ratio(frame * i64::from(rate.seconds), i64::from(rate.frames)),
                text(case, "time_s"),
                "{case}"
            );
        }
    }

    #[test]
    fn outside_check_label_to_frame() {
        let all = vectors();
        for case in list(&all, "valid_tc_to_frame") {
            assert_eq!(
                counting(text(case, "rate")).1.parse(text(case, "tc")),
                Ok(int(case, "frame")),
                "{case}"
            );
        }
        for case in list(&all, "invalid_labels") {
            assert!(counting(text(case, "rate")).1.parse(text(case, "tc")).is_err(), "{case}");
        }
    }

    #[test]
    fn outside_check_durations() {
        let all = vectors();
        for case in list(&all, "durations") {
            let (_, counting) = counting(text(case, "rate"));
            let first = counting.parse(text(case, "tc_in")).unwrap();
            let end = counting.parse(text(case, "tc_out_exclusive")).unwrap();
            assert_eq!(counting.frames_between(first, end), int(case, "duration_frames"), "{case}");
        }
        // Where a public library and the vectors disagree the vectors follow the standard.
        for case in list(&all, "library_disagreements") {
            let (_, counting) = counting(text(case, "rate"));
            assert_eq!(counting.label(int(case, "frame")).to_string(), text(case, "ours"), "{case}");
        }
    }

    #[test]
    fn outside_check_rates() {
        let all = vectors();
        for (name, facts) in all["rates"].as_object().unwrap() {
            let (rate, counting) = counting(name);
            assert_eq!(int(facts, "rate_num"), i64::from(rate.frames), "{name}");
            assert_eq!(int(facts, "rate_den"), i64::from(rate.seconds), "{name}");
            assert_eq!(int(facts, "nominal_fps"), counting.nominal, "{name}");
            assert_eq!(facts["drop_frame"].as_bool().unwrap(), counting.drops(), "{name}");
            assert_eq!(int(facts, "labels_dropped_per_minute_except_tenth"), counting.dropped, "{name}");
            let at = |label: &str| counting.parse(label).unwrap();
            let second_minute = format!("00:01:00:{:02}", counting.dropped);
            let third_minute = format!("00:02:00:{:02}", counting.dropped);
            assert_eq!(int(facts, "frames_first_minute"), at(&second_minute), "{name}");
            assert_eq!(int(facts, "frames_dropped_minute"), at(&third_minute) - at(&second_minute), "{name}");
            assert_eq!(int(facts, "frames_per_10min"), at("00:10:00:00"), "{name}");
            assert_eq!(int(facts, "frames_per_10min"), counting.frames_in_ten_minutes(), "{name}");
            let hour = at("01:00:00:00");
            assert_eq!(int(facts, "frames_per_tc_hour"), hour, "{name}");
            assert_eq!(int(facts, "frames_per_24h_of_labels"), counting.frames_in_a_day(), "{name}");
            assert_eq!(int(facts, "labels_dropped_per_hour"), counting.nominal * 3600 - hour, "{name}");
            assert_eq!(
                int(facts, "labels_dropped_per_24h"),
                counting.nominal * 86_400 - counting.frames_in_a_day(),
                "{name}"
            );
            let (frames, seconds) = (i64::from(rate.frames), i64::from(rate.seconds));
            assert_eq!(text(facts, "real_seconds_of_one_tc_hour"), ratio(hour * seconds, frames), "{name}");
            // The decimals of the file are rounded, hence the tolerances.
            let near = |key: &str, value: f64, within: f64| {
                assert!((facts[key].as_f64().unwrap() - value).abs() < within, "{name} {key} {value}");
            };
            let real = |count: i64| (count * seconds) as f64 / frames as f64;
            near("real_seconds_of_one_tc_hour_float", real(hour), 1e-6);
            near("drift_s_per_tc_hour", real(hour) - 3600.0, 1e-6);
            near("drift_s_per_24h_labels", real(counting.frames_in_a_day()) - 86_400.0, 1e-6);
            near("frames_in_3600_real_seconds", 3600.0 * rate.per_second(), 1e-6);
            let after_an_hour = counting.label(3600 * frames / seconds).to_string();
            assert_eq!(text(facts, "label_after_3600_real_seconds_floor"), after_an_hour, "{name}");
        }
    }

    #[test]
    fn every_label_of_a_day_round_trips() {
        for name in ["24", "29.97df", "29.97ndf", "59.94df", "59.94ndf", "119.88df"] {
            let (_, counting) = counting(name);
            let mut frame = 0;
            for minute in 0..1440i64 {
                for second in [0, 1, 30, 59] {
                    for f in 0..counting.nominal {
                        let label = Label {
                            hours: (minute / 60) as u8,
                            minutes: (minute % 60) as u8,
                            seconds: second,
                            frames: f as u16,
                            drop_mark: counting.drops(),
                        };
                        let left_out = second == 0 && minute % 10 != 0 && f < counting.dropped;
                        match counting.count(label) {
                            Ok(n) => {
                                assert!(!left_out && n >= frame, "{name} {label}");
                                frame = n;
                                assert_eq!(counting.label(n), label, "{name}");
                                assert_eq!(label.to_string().parse(), Ok(label), "{name}");
                            }
                            Err(e) => assert!(left_out, "{name} {label}: {e}"),
                        }
                    }
                }
            }
            assert_eq!(frame, counting.frames_in_a_day() - 1, "{name}");
            assert_eq!(counting.label(-1), counting.label(frame), "{name}");
        }
    }

    #[test]
    fn errors_say_what_is_right() {
        let (_, drop) = counting("29.97df");
        let (_, film) = counting("24");
        let said = |result: Result<i64, BadTimecode>| result.unwrap_err().to_string();
        assert_eq!(
            said(drop.parse("00:01:00:01")),
            "label 00:01:00;01 does not exist in drop-frame counting: minutes other than 00, 10, 20 … start at ;02"
        );
        assert_eq!(
            said(film.parse("00:00:00:24")),
            "frame 24 does not exist: 24 frames a second are numbered 00 to 23"
        );
        assert_eq!(
            said(film.parse("00:00:01;00")),
            "label 00:00:01;00 is written as drop-frame, but frames are counted non-drop here"
        );
        assert_eq!(said(film.parse("00:60:00:00")), "timecode runs from 00:00:00 to 23:59:59");
        for bad in [
            "",
            "1:00:00:00",
            "00:00:00",
            "00:00:00:0",
            "00-00-00-00",
            "+1:00:00:00",
            "0é:00:00:0",
            "00:00:00:0000",
        ] {
            assert_eq!(film.parse(bad), Err(BadTimecode::Form), "{bad}");
        }
        assert!(Counting::drop_frame(Rate::new(24_000, 1001)).is_err());
        assert!(Counting::drop_frame(Rate::new(30, 1)).is_err());
        assert!(Counting::non_drop(Rate::new(49, 2)).is_err());
    }

    #[test]
    fn a_frame_number_is_its_own_label() {
        let (_, film) = counting("24");
        assert_eq!(film.parse("00:00:42:01"), Ok(1009));
        assert_eq!(film.parse("00:00:42.01"), Ok(1009));
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text in ".{0,16}") {
            let _ = text.parse::<Label>();
        }
    }
}

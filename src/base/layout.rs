//! Which channels a sound has, in words and in order.
//!
//! Knows the words, which are also those of declarations and of the program that codes movies. Knows no samples.

/// Channels, in the order of a WAV file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// One.
    Mono,
    /// Left, right.
    Stereo,
    /// Left, right, centre, low frequencies, left surround, right surround.
    FiveOne,
}

impl Layout {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Mono, Self::Stereo, Self::FiveOne];

    /// The word for it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mono => "mono",
            Self::Stereo => "stereo",
            Self::FiveOne => "5.1",
        }
    }

    /// How many channels.
    pub const fn channels(self) -> usize {
        match self {
            Self::Mono => 1,
            Self::Stereo => 2,
            Self::FiveOne => 6,
        }
    }

    /// The one of this word.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|layout| layout.name() == name)
    }

    /// The one of so many channels.
    pub fn of(channels: usize) -> Option<Self> {
        Self::ALL.into_iter().find(|layout| layout.channels() == channels)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_counts_lead_back() {
        for layout in Layout::ALL {
            assert_eq!(Layout::named(layout.name()), Some(layout));
            assert_eq!(Layout::of(layout.channels()), Some(layout));
        }
        assert_eq!((Layout::named("quad"), Layout::of(4)), (None, None));
    }
}

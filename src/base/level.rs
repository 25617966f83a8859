//! Which of the processor's vector instructions a kernel may use.
//!
//! Knows how to compile one kernel for several levels and to call the best one. Does not know any
//! kernel. No level changes a result: kernels use plain multiplication and addition only, which
//! Rust never contracts, so every level rounds alike.

/// A level of vector instructions that this processor has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Level(Instructions);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Instructions {
    /// What every processor of the target has.
    Plain,
    /// 256-bit vectors.
    #[cfg(target_arch = "x86_64")]
    Avx2,
    /// 512-bit vectors.
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl Level {
    /// What every processor of the target has.
    pub const PLAIN: Level = Level(Instructions::Plain);

    /// The best level of this processor.
    pub fn best() -> Level {
        *Self::all_here().last().unwrap_or(&Self::PLAIN)
    }

    /// Every level of this processor, the plain one first.
    pub fn all_here() -> Vec<Level> {
        #[allow(unused_mut, reason = "only some targets have more than one level")]
        let mut levels = vec![Level::PLAIN];
        #[cfg(target_arch = "x86_64")]
        {
            if is_x86_feature_detected!("avx2") {
                levels.push(Level(Instructions::Avx2));
            }
            if is_x86_feature_detected!("avx2")
                && is_x86_feature_detected!("avx512f")
                && is_x86_feature_detected!("avx512bw")
                && is_x86_feature_detected!("avx512dq")
                && is_x86_feature_detected!("avx512vl")
            {
                levels.push(Level(Instructions::Avx512));
            }
        }
        levels
    }

    /// True when 256-bit kernels may run.
    #[cfg(target_arch = "x86_64")]
    pub fn is_avx2(self) -> bool {
        self.0 == Instructions::Avx2
    }

    /// True when 512-bit kernels may run.
    #[cfg(target_arch = "x86_64")]
    pub fn is_avx512(self) -> bool {
        self.0 == Instructions::Avx512
    }
}

/// Makes a kernel `fn name(level, ...)` whose body is compiled once for each level.
macro_rules! kernel {
    ($(#[$meta:meta])* $vis:vis fn $name:ident($($arg:ident: $ty:ty),* $(,)?) $body:block) => {
        $(#[$meta])*
        $vis fn $name(level: $crate::base::level::Level, $($arg: $ty),*) {
            #[inline(always)]
            fn body($($arg: $ty),*) $body
            #[cfg(target_arch = "x86_64")]
            {
                #[target_feature(enable = "avx2")]
                fn avx2($($arg: $ty),*) {
                    body($($arg),*)
                }
                #[target_feature(enable = "avx2,avx512f,avx512bw,avx512dq,avx512vl")]
                fn avx512($($arg: $ty),*) {
                    body($($arg),*)
                }
                if level.is_avx512() {
                    // SAFETY: a level of 512 bits exists only where the processor was seen to have it.
                    return unsafe { avx512($($arg),*) };
                }
                if level.is_avx2() {
                    // SAFETY: a level of 256 bits exists only where the processor was seen to have it.
                    return unsafe { avx2($($arg),*) };
                }
            }
            let _ = level;
            body($($arg),*)
        }
    };
}
pub(crate) use kernel;

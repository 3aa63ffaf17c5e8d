//! Every reason a report can give, in one place: its code, weight, wording and what to do about it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How much a reason weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Good to know.
    Info,
    /// Numbers are less sure.
    Warning,
    /// Something could not be measured.
    Blocking,
}

/// What would cure a reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Again {
    /// No other clip would.
    No,
    /// The same footage, whole and in a form that can be read.
    Send,
    /// Other footage.
    Film,
}

impl Again {
    /// What the student is asked for.
    pub fn words(self) -> &'static str {
        match self {
            Again::No => "nothing to send",
            Again::Send => "send again",
            Again::Film => "film again",
        }
    }
}

macro_rules! reasons {
    ($($code:ident, $severity:ident, $again:ident, $text:literal, $advice:literal;)*) => {
        /// Reason codes; names in snake case are the codes in reports.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum ReasonCode { $($code),* }

        impl ReasonCode {
            /// All codes.
            pub const ALL: &[ReasonCode] = &[$(ReasonCode::$code),*];

            fn entry(self) -> (Severity, Again, &'static str, &'static str) {
                match self { $(ReasonCode::$code => (Severity::$severity, Again::$again, $text, $advice)),* }
            }
        }
    };
}

reasons! {
    NotAVideo, Blocking, Send, "this file is no film that can be opened", "ask for the film itself, as the phone made it (mp4 or mov; webm, mkv, avi and 3gp do too), not a link, a picture or a document";
    NotAllowed, Blocking, No, "the file may not be opened: it is not a plain file inside the inbox", "copy the clip itself into the student's folder";
    TooLarge, Blocking, Send, "the file or its picture is larger than the settings allow", "send it in full HD or smaller, or raise the cap in the settings";
    TooLong, Blocking, Send, "the clip is longer than the settings allow", "cut it to the swing, 5 to 20 seconds";
    Unreadable, Blocking, Send, "the file cannot be read or opened", "send it again; the upload may have broken off";
    NoFrames, Blocking, Send, "no picture could be decoded", "send it again from the phone that filmed it";
    Damaged, Warning, Send, "part of the clip is damaged or missing", "send it again if the swing looks torn";
    MirroredByContainer, Info, No, "the file asks to be shown mirrored, and was", "if left and right are exchanged, switch off mirroring of the front camera";
    TurnedBySight, Info, No, "the clip lay on its side and was turned", "nothing to do; hold the phone still when you press record, so that it notices how it is held";
    NoPerson, Blocking, Film, "nobody can be seen for most of the clip", "film the whole golfer, head to feet, from 3 to 5 metres";
    NoSwing, Blocking, Film, "no full swing was found", "start filming before the address and stop after the finish";
    SwingCut, Blocking, Film, "the address or the follow-through is outside the clip", "start filming two seconds before the swing and stop after the finish";
    OutOfPicture, Blocking, Film, "part of the golfer leaves the picture", "step back until head, feet and hands stay in the picture for the whole swing";
    FeetUnseen, Blocking, Film, "the feet cannot be seen", "tilt the phone down or step back until both feet are in the picture";
    HeadUnseen, Blocking, Film, "the head cannot be seen", "tilt the phone up or step back until the head is in the picture";
    TooSmall, Warning, Film, "the golfer is small in the picture", "go closer: the golfer should fill half to three quarters of the picture's height";
    DarkOrBlurred, Blocking, Film, "the hands or arms are too dark or too blurred to follow", "film in daylight, with the sun behind the phone, at 60 frames a second or more";
    FewFrames, Blocking, Film, "too few pictures between top and impact", "film at 60 frames a second or more";
    SlowPictures, Info, Film, "few pictures a second: elbow and tempo are read less surely, and the elbow's verdict is open", "film at 60 frames a second or more: the tempo and, a little, the elbow are then told more surely";
    TopUnsure, Warning, No, "where the backswing ends is read in two ways", "film at 60 frames a second or more, with the sun behind the phone";
    NotFaceOn, Blocking, Film, "the camera is not face-on", "stand in front of the golfer, square to the target line, phone at hand height";
    CameraMoves, Warning, Film, "the camera moves", "put the phone on a tripod or lean it against the bag";
    CameraRolled, Warning, Film, "the phone was held at a slant", "hold the phone upright";
    SeveralPeople, Info, No, "other people are in the picture", "have nobody else in the picture";
    PersonDoubtful, Warning, Film, "it is not sure who the golfer is", "film again with only the golfer in the picture";
    SidesRepaired, Info, No, "left and right were exchanged in some pictures and mended", "nothing to do";
    MirroredOrOtherHanded, Warning, No, "the swing goes the other way than the roster says: a mirrored clip, or another golfer", "switch off mirroring of the front camera, or correct the roster";
    PlaybackUnknown, Warning, No, "slow motion with an unknown factor: durations are estimates", "give playback_factor in the clip's sidecar, or send the clip at normal speed";
    OutlineUnsafe, Info, No, "the golfer's outline was torn or covered where it was needed; key points were used", "wear clothes that stand out from the background";
    StatureAssumed, Info, No, "the stature is assumed, so lengths are less sure", "put stature_cm into the roster";
    SameBytesFromTwo, Warning, No, "the same clip came from two students", "ask whose swing it is";
    WorkerFailed, Blocking, No, "the clip could not be worked through: its worker stopped", "run again with --retry-failed; if it fails again, keep the clip and report it";
}

/// A reason as a report carries it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    pub code: ReasonCode,
    pub severity: Severity,
    /// What is the case, one sentence.
    pub text: String,
    /// What to do about it.
    pub advice: String,
}

impl ReasonCode {
    /// The reason with its usual weight and wording.
    pub fn reason(self) -> Reason {
        let (severity, _, text, advice) = self.entry();
        Reason { code: self, severity, text: text.into(), advice: advice.into() }
    }

    /// The reason with what was seen added to its text.
    pub fn because(self, detail: impl std::fmt::Display) -> Reason {
        let mut reason = self.reason();
        reason.text = format!("{} ({detail})", reason.text);
        reason
    }

    /// What would cure it.
    pub fn again(self) -> Again {
        self.entry().1
    }

    /// Whether another clip would cure it: the footage sent anew, or filmed anew.
    pub fn cured_by_another_clip(self) -> bool {
        self.again() != Again::No
    }

    /// The code as written in reports.
    pub fn code(self) -> String {
        serde_json::to_value(self).ok().and_then(|v| v.as_str().map(String::from)).unwrap_or_default()
    }
}

impl Reason {
    /// The same reason with another weight.
    pub fn weighing(mut self, severity: Severity) -> Reason {
        self.severity = severity;
        self
    }
}

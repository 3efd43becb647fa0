//! Help: the job and its reasons, never a control.

/// Help: the job and its reasons.
pub const HELP: [(&str, &str); 8] = [
    (
        "Why measure",
        "By eye the far corners of a part are the hardest, and nobody can say how good \"good\" was. A grid can also sit a whole pitch over, or turned round, and look right. The program measures every terminal against its land and says how sure it is.",
    ),
    (
        "The order of the turns",
        "Rotation goes first, because turning the part about the nozzle also shifts it. Then the two screws, each in its own direction as it was calibrated. After each turn, let things come to rest: the next number is worked out from where everything really stands.",
    ),
    (
        "Play",
        "A screw that reverses turns a little before anything moves. Where the last sense is known, the play to take up is told; where it is not, end each turn in the sense that is told, and come up to the mark again if you went past it.",
    ),
    (
        "Within, outside, undecided",
        "The uncertainty counts against you: \"within\" means that even the far end of the interval lies inside the allowance. \"Undecided\" means that the interval reaches across it: a steadier picture may settle it.",
    ),
    (
        "What stands in the way",
        "A missing or bridged ball does not move when you turn. It is named and enlarged so that you decide before the part is down, when it can still be lifted.",
    ),
    (
        "A1",
        "A full square grid looks the same turned by a quarter. Where no mark and no missing ball tells, only your eyes can: you are asked where you saw it.",
    ),
    (
        "Accepting",
        "The program measures and records; you decide. What is not within and clear can be accepted only with a reason, and the reason is kept. After accepting, the picture is watched until the optics leave: should the part move, you are told.",
    ),
    (
        "What is kept",
        "Picture, answer, part and bench file go into one folder, with a hash of each, so that it can be measured again by anyone.",
    ),
];

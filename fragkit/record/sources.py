"""Methods in plain words, and what they rest on."""

METHODS: tuple[tuple[str, str], ...] = (
    (
        "True-scale pictures",
        "The plane of the wall and the lens are solved together from control points by weighted least "
        "squares. Every point is also predicted with itself left out; the difference is the honest error. "
        "What a bulging surface adds is stated separately, because no photograph of one side shows it.",
    ),
    (
        "Net and centres",
        "The picture is compared with itself moved by every distance; the net is the coarsest that contains "
        "every strong agreement. One shared motif is then fitted to every site, lost surface left out.",
    ),
    (
        "Repeat",
        "Centres are fitted with a net by generalised least squares with the errors of the picture in it; "
        "growth, bow, fan and jumps at seams are tested against what the picture's own plane could fake. The spacing "
        "from place to place is read twice, from the centres and from the picture in windows, and a difference "
        "between the two is stated. Fragments are "
        "pooled with the spread between them, so the interval for a new wall is wider than that of the mean.",
    ),
    (
        "Technique",
        "Placing and forming are two questions. Each way of placing has its own pattern of errors; the "
        "measured errors are weighed under all of them, and the weights are checked on simulated fragments "
        "like this one. Where the weight is too small the answer is: cannot be told.",
    ),
    (
        "Layout",
        "Surviving motifs fix the net first, then the measured repeat, then the axis of the wall, then its "
        "edges. All whole-number choices are compared; every motif carries the class of its certainty and "
        "the reason.",
    ),
    (
        "Setting out",
        "Every dimension is read from one datum and rounded by itself, so nothing adds up. What tape, laser and "
        "hand do to the marks is simulated thousands of times; the stated figures hold in 95 walls of 100. A "
        "second person measures marks drawn by lot, and a reading counts as outside only when it exceeds the "
        "limit by more than the check itself is worth.",
    ),
    (
        "Leaf, labour, costs",
        "Leaf is counted by cutting pieces with a knife's straight cuts. Labour comes from a timed trial or "
        "is marked as a placeholder; the spread of all inputs is carried through by drawing them many "
        "times. What has no price is a gap and not a zero.",
    ),
    (
        "Uncertainty",
        "sd is one standard deviation; an interval holds the true value 95 times in 100 unless it says otherwise.",
    ),
)

SOURCES: tuple[str, ...] = (
    "JCGM 100:2008 and JCGM 101:2008, Guide to the expression of uncertainty in measurement, and its "
    "Supplement 1 (Monte Carlo).",
    "JCGM 106:2012, The role of measurement uncertainty in conformity assessment; Directive 2014/32/EU, annex X "
    "(limits of tapes); ISO 6284:2023 (limit deviations).",
    "Zhang, Z. (2000) A flexible new technique for camera calibration, IEEE TPAMI 22(11), 1330-1334, "
    "doi:10.1109/34.888718.",
    "Sharma, G., Wu, W., Dalal, E. N. (2005) The CIEDE2000 color-difference formula, Color Res. Appl. "
    "30(1), 21-30, doi:10.1002/col.20070.",
    "Christofides, N., Whitlock, C. (1977) An algorithm for two-dimensional cutting problems, Operations "
    "Research 25(1), 30-44, doi:10.1287/opre.25.1.30.",
    "Wright, T. P. (1936) Factors affecting the cost of airplanes, J. Aeronaut. Sci. 3(4), 122-128.",
    "The London Charter, principle 4: say what is evidence and what is hypothesis, and why.",
    "The Burra Charter, articles 17-20: reconstruction only on sufficient evidence, and to be told apart.",
)

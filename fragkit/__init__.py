"""From photographs of fragments of a repeating wall decoration to marks on the wall.

The rooms follow the data: `read_survey`, `rectify`, `find_nets`, `find_centres` and `build_motif`, `fit_lattice`
and `pool`, `measure_colours`, `weigh_technique`, `lay_out`, `set_out`, `take_off` and `plan_works`, `write_record`;
`run_study` runs them all. Names are loaded on first use, so that `import fragkit` stays quick.
"""

from fragkit.on_use import loaded_on_use

__version__ = "0.1.0"

_ROOM_OF = {
    "EstimationError": "errors",
    "Fault": "errors",
    "FragkitError": "errors",
    "OutputError": "errors",
    "SurveyError": "errors",
    "read_photo": "survey",
    "read_survey": "survey",
    "Picture": "rectify",
    "even_light": "rectify",
    "find_board": "rectify",
    "adjust_figure": "rectify",
    "compare_photographs": "rectify",
    "plan_photograph": "rectify",
    "refine_mark": "rectify",
    "set_tone": "rectify",
    "solve_lens": "rectify",
    "find_nets": "net",
    "reduce_basis": "net",
    "align_shapes": "motifs",
    "build_motif": "motifs",
    "combine_copies": "motifs",
    "compare_labels": "motifs",
    "find_centres": "motifs",
    "find_symmetries": "motifs",
    "join_pictures": "motifs",
    "ring_correlation": "motifs",
    "shape_distance": "motifs",
    "symmetrised": "motifs",
    "fit_lattice": "lattice",
    "fit_row": "lattice",
    "measure_spacing": "lattice",
    "merge_centres": "lattice",
    "pool": "lattice",
    "pool_steps": "lattice",
    "residual_variogram": "lattice",
    "round_lengths": "lattice",
    "delta_e00": "colour",
    "measure_colours": "colour",
    "covariance": "placing",
    "draw": "placing",
    "Marks": "technique",
    "Priors": "technique",
    "Sign": "technique",
    "compare_areas": "technique",
    "false_discoveries": "technique",
    "find_changes": "technique",
    "find_recurrence": "technique",
    "find_trade_lengths": "technique",
    "map_regularity": "technique",
    "measure_priors": "technique",
    "power": "technique",
    "reweigh": "technique",
    "weigh_technique": "technique",
    "lay_out": "layout",
    "draw_sheets": "setting_out",
    "draw_wall": "setting_out",
    "set_out": "setting_out",
    "plan_works": "works",
    "take_off": "works",
    "compare_as_built": "record",
    "compare_records": "record",
    "read_record": "record",
    "write_record": "record",
    "run_campaign": "study",
    "run_study": "study",
    "simulate_photograph": "simulate",
    "simulate_study": "simulate",
}

__all__ = sorted(_ROOM_OF)
__getattr__ = loaded_on_use(__name__, _ROOM_OF)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]

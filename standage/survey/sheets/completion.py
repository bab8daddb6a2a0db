"""What the shape of a table says without writing it: done once all tables are there, before any
cell is read.
"""

from __future__ import annotations

from standage.survey.cells.areas import ask_of_several_quadrats, take_headings_of_circles
from standage.survey.cells.columns_by_values import decide_by_values
from standage.survey.cells.event_cells import with_plain_years
from standage.survey.cells.event_kinds import settle_kinds
from standage.survey.cells.event_years import with_kinds, with_last_years, with_names
from standage.survey.cells.lasting_events import settle_lasting_events
from standage.survey.cells.parts_searched import ask_of_parts_searched
from standage.survey.cells.second_counts import take_second_counts
from standage.survey.flat_table import ALL_TABLES, FLAT
from standage.survey.schema import COUNTS
from standage.survey.sheets.blank_legends import fill_by_legends
from standage.survey.sheets.blank_plots import settle_blank_plots
from standage.survey.sheets.core_marks import hold_marks_of_stems, take_marks_of_cores
from standage.survey.sheets.count_densities import ask_of_densities
from standage.survey.sheets.event_stands import with_a_row_a_stand, with_events_of_all_stands
from standage.survey.sheets.flat_sheet import part_flat_sheet
from standage.survey.sheets.footnotes import take_footnotes
from standage.survey.sheets.group_fill import filled_down, with_plots_of_species
from standage.survey.sheets.history_lines import ask_of_remarks_on_events, ask_of_sentences
from standage.survey.sheets.known_age_heights import settle_heights_of_rings
from standage.survey.sheets.left_unsaid import (
    list_stands_by_plots,
    say_what_is_plain,
    stand_of_plots,
)
from standage.survey.sheets.missed_pith import settle_missed_pith
from standage.survey.sheets.plot_matrix import with_a_row_for_each_plot
from standage.survey.sheets.plot_words import without_the_word
from standage.survey.sheets.plots_of_stems import list_plots_of_stems
from standage.survey.sheets.restarted_names import name_groups, with_groups, write_out_names
from standage.survey.sheets.rows_without_stem import (
    set_aside,
    take_out_stemless,
    without_sums_by_plot,
)
from standage.survey.sheets.said_of_cores import (
    ask_of_single_cores,
    take_heights_of_all,
    take_last_rings_of_all,
)
from standage.survey.sheets.stage_species import settle_stages_by_species
from standage.survey.sheets.stem_marks import take_marks_of_stems
from standage.survey.sheets.title_areas import take_areas_of_titles
from standage.survey.sheets.title_doubts import doubt_titles
from standage.survey.sheets.unit_columns import with_units_said
from standage.survey.sheets.wide_counts import (
    name_stages,
    with_a_row_for_each_stage,
    without_rows_not_searched,
)
from standage.survey.written import WrittenSurvey


def complete_tables(survey: WrittenSurvey, name: str) -> None:
    """Complete the written tables in place; each liberty is listed in `survey.readings`. name: of
    the survey.
    """
    take_footnotes(survey)
    ask_of_sentences(survey)
    ask_of_remarks_on_events(survey)
    with_a_row_for_each_plot(survey)
    for each in ALL_TABLES:
        if each.name in survey.tables:
            survey.tables[each.name] = with_units_said(
                each, survey.tables[each.name], survey.problems, survey.readings
            )
    fill_by_legends(survey)
    without_the_word(survey)
    decide_by_values(survey)
    settle_heights_of_rings(survey)
    take_heights_of_all(survey)
    ask_of_single_cores(survey)
    take_headings_of_circles(survey)
    take_areas_of_titles(survey)
    ask_of_several_quadrats(survey)
    take_marks_of_cores(survey)
    take_marks_of_stems(survey)
    without_sums_by_plot(survey)
    _fill_wide_counts(survey)
    ask_of_densities(survey)
    with_a_row_for_each_stage(survey)
    ask_of_parts_searched(survey)
    name_stages(survey)
    settle_stages_by_species(survey)
    without_rows_not_searched(survey)
    name_groups(survey)
    set_aside(survey)
    settle_blank_plots(survey)
    for each in ALL_TABLES:
        written = survey.tables.get(each.name)
        if written is not None and written.cells:
            survey.tables[each.name] = filled_down(
                with_groups(each), written, survey.problems, survey.readings
            )
    write_out_names(survey)
    take_out_stemless(survey)
    settle_missed_pith(survey)
    for of_stems in (FLAT.name, "trees"):
        stand_of_plots(survey, of_stems)
    list_stands_by_plots(survey)
    part_flat_sheet(survey, name)
    say_what_is_plain(survey, name)
    take_last_rings_of_all(survey)
    take_second_counts(survey)
    hold_marks_of_stems(survey)
    list_plots_of_stems(survey)
    doubt_titles(survey)
    if "events" in survey.tables:
        survey.tables["events"] = with_kinds(survey.tables["events"], survey.readings)
        settle_kinds(survey)
        survey.tables["events"] = with_plain_years(survey.tables["events"], survey.readings)
        with_a_row_a_stand(survey)
        settle_lasting_events(survey)
        events = with_names(survey.tables["events"], survey.readings)
        survey.tables["events"] = with_last_years(events, survey.readings)
    with_events_of_all_stands(survey)


def _fill_wide_counts(survey: WrittenSurvey) -> None:
    """Plots written once for a group of rows of counts, before each row becomes one a stage."""
    written = survey.tables.get(COUNTS.name)
    if written is None or not written.cells:
        return
    written = with_plots_of_species(written, survey.readings)
    survey.tables[COUNTS.name] = written
    if "stage" not in written.header:
        survey.tables[COUNTS.name] = filled_down(
            with_groups(COUNTS), written, survey.problems, survey.readings
        )

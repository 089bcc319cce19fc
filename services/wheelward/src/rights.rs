//! `wheelward facts rights`: who may record what, and who takes it back.

use authority::people::{self, Identification, Right, UNDO_WITHIN};
use serde::Serialize;
use station::Action;

use crate::cli::RightsArgs;
use crate::show;
use crate::table::Table;

/// A row as it is printed.
#[derive(Debug, Serialize)]
struct Row {
    /// The action cards that record it.
    actions: Vec<&'static str>,
    #[serde(flatten)]
    right: Right,
}

/// `wheelward facts rights`
pub fn run(args: &RightsArgs) -> anyhow::Result<()> {
    let rows: Vec<Row> = rows().collect();
    if args.json {
        return show::print_json(&rows);
    }
    print!("{}", text(&rows));
    Ok(())
}

fn rows() -> impl Iterator<Item = Row> {
    people::table().map(|right| {
        let actions = Action::ALL
            .iter()
            .filter(|(action, ..)| action.topic() == Some(right.kind));
        Row {
            actions: actions.map(|&(_, name, _)| name).collect(),
            right,
        }
    })
}

fn text(rows: &[Row]) -> String {
    let mut table = Table::new(&[
        "kind of fact",
        "cards",
        "recorded by",
        "known by",
        "",
        "unless",
    ]);
    for Row { actions, right } in rows {
        table.row([
            right.kind.to_owned(),
            actions.join(", "),
            match right.role {
                Some(role) => format!("{} or above", role.key()),
                None => "Wheelward's own workers".to_owned(),
            },
            match (right.role, right.known) {
                (None, _) => String::new(),
                (_, Identification::Nobody) => "badge, where badges are named".to_owned(),
                (_, Identification::Badge) => "badge".to_owned(),
                (_, Identification::Pin) => "badge and PIN".to_owned(),
            },
            right.taken_back.to_string(),
            right.unless.unwrap_or_default().to_owned(),
        ]);
    }
    format!(
        "{}\nA record is taken back where it was made, as the last one there of the same badge and session, within {} minutes; after that, and of what keeps people safe, by a manager's correction with a reason.\n",
        table.text(),
        UNDO_WITHIN.num_minutes()
    )
}

#[cfg(test)]
mod tests {
    use authority::Proof;
    use authority::people::{kind_taken_back, may_state_kind};

    use super::*;

    /// What is printed is what is asked: cell by cell.
    #[test]
    fn each_cell_that_is_printed_is_the_one_that_stations_and_pages_go_by() {
        let kinds: Vec<&str> = rows().map(|row| row.right.kind).collect();
        let all = facts::TYPES
            .iter()
            .map(|ty| format!("{}.{}", ty.noun, ty.verb));
        assert_eq!(kinds, all.collect::<Vec<_>>());
        for Row { right, .. } in rows() {
            let may = |proof| may_state_kind(right.kind, proof).is_ok();
            assert_eq!(right.taken_back, kind_taken_back(right.kind));
            for role in authority::Role::ALL {
                let least = right.role.is_some_and(|least| match least {
                    authority::Role::Operator => role.records(),
                    authority::Role::Ironer => {
                        matches!(role, authority::Role::Ironer | authority::Role::Manager)
                    }
                    _ => role == authority::Role::Manager,
                });
                assert_eq!(may(Proof::SignedIn(role)), least, "{} {role:?}", right.kind);
            }
            let person = right.role.is_some();
            assert_eq!(
                may(Proof::Badge(None)),
                person && right.known != Identification::Pin
            );
            assert_eq!(
                may(Proof::Nobody),
                person && right.known == Identification::Nobody
            );
        }
    }

    #[test]
    fn every_card_stands_beside_what_it_records() {
        let rows: Vec<Row> = rows().collect();
        let cards: Vec<&str> = rows.iter().flat_map(|row| row.actions.clone()).collect();
        assert_eq!(
            cards.len(),
            Action::ALL.len() - 1,
            "all but UNDO: {cards:?}"
        );
        let text = text(&rows);
        for row in &rows {
            assert!(text.contains(row.right.kind));
        }
    }
}

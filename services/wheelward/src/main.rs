//! The one binary people install: every worker, every question, the demo.

mod asking;
mod bench;
mod broker;
mod cli;
mod demo;
mod dispatching;
mod doctor;
mod export;
mod falls;
mod files;
mod forecast;
mod labels;
mod lines;
mod listen;
mod office;
mod orders;
mod outbox;
mod papers;
mod planning;
mod portions;
mod reading;
mod recall;
mod recipes;
mod replay;
mod rights;
mod running;
mod schema;
mod show;
mod stating;
mod supervise;
mod table;
#[cfg(test)]
mod unknown_names;
mod verify;
mod worker;
mod yields;

use std::process::ExitCode;

use clap::{CommandFactory as _, Parser as _};
use cli::{Cli, Command, FactsCommand};
use rustix::fs::Mode;

fn main() -> ExitCode {
    end_quietly_when_nobody_reads();
    let cli = Cli::parse();
    start_log(&cli.command);
    keep_private(&cli.command);
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("wheelward: this machine gave no threads to work with: {error}");
            return ExitCode::from(cli::FAILED);
        }
    };
    let done = runtime.block_on(run(cli));
    // A worker that waits for typed lines must not keep the process alive.
    runtime.shutdown_background();
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("wheelward: {error:#}");
            ExitCode::from(cli::exit_code(&error))
        }
    }
}

async fn run(cli: Cli) -> anyhow::Result<()> {
    match cli.command {
        Command::Up(args) => supervise::up(args).await,
        Command::Worker(args) => worker::run(args).await,
        Command::Broker(command) => broker::run(&command),
        Command::Due(args) => asking::due(&args).await,
        Command::Wheel(args) => asking::wheel(&args).await,
        Command::Batch(args) => asking::batch(&args).await,
        Command::Floor(args) => asking::floor(&args).await,
        Command::Replay(args) => replay::run(&args),
        Command::Plan(args) => planning::plan(&args).await,
        Command::Rooms(args) => planning::rooms(&args).await,
        Command::RollCall(args) => planning::roll_call(&args).await,
        Command::Portions(args) => portions::run(&args).await,
        Command::Recall(args) => recall::run(&args).await,
        Command::Papers(command) => papers::run(&command).await,
        Command::Outbox(args) => outbox::run(&args),
        Command::Verify(args) => verify::verify(&args).await,
        Command::Seal(args) => verify::seal(&args).await,
        Command::Archive(args) => verify::archive(&args).await,
        Command::Forecast(args) => forecast::run(&args).await,
        Command::Yield(args) => yields::run(&args).await,
        Command::Orders(command) => orders::run(&command).await,
        Command::Promise(args) => dispatching::promise(&args).await,
        Command::Dispatch(command) => dispatching::run(&command).await,
        Command::Recipe(command) => recipes::run(&command).await,
        Command::Label(command) => labels::run(&command).await,
        Command::Facts(FactsCommand::Export(args)) => export::run(&args).await,
        Command::Facts(FactsCommand::Schema(args)) => schema::run(&args),
        Command::Facts(FactsCommand::Rights(args)) => rights::run(&args),
        Command::Doctor(args) => doctor::run(&args).await,
        Command::Demo(args) => demo::run(args).await,
        Command::Bench(args) => bench::run(args).await,
        Command::Check(args) => files::check(&args),
        Command::Listen(args) => listen::run(&args).await,
        Command::Completions { shell } => {
            clap_complete::generate(
                shell,
                &mut Cli::command(),
                "wheelward",
                &mut std::io::stdout(),
            );
            Ok(())
        }
        Command::Man => Ok(clap_mangen::Man::new(Cli::command()).render(&mut std::io::stdout())?),
    }
}

/// What a floor keeps is for the user who runs it alone: facts, names, passwords. A file that
/// somebody asked for is made as that person's other files are.
fn keep_private(command: &Command) {
    if matches!(
        command,
        Command::Up(_) | Command::Worker(_) | Command::Demo(_)
    ) {
        rustix::process::umask(Mode::RWXG | Mode::RWXO);
    }
}

/// `wheelward due | head` closes the pipe early: printing on would panic, and is no error.
fn end_quietly_when_nobody_reads() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let said = panic.payload().downcast_ref::<String>();
        if said.is_some_and(|s| s.starts_with("failed printing to stdout")) {
            std::process::exit(0);
        }
        usual(panic);
    }));
}

/// Workers log to standard error, so that answers on standard output stay clean. Commands
/// that answer a person say only what went wrong.
fn start_log(command: &Command) {
    let usual = match command {
        Command::Up(_) | Command::Worker(_) => "info,async_nats=warn,sled=warn",
        _ => "warn,async_nats=error",
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("WHEELWARD_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(usual));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr()))
        .with_writer(std::io::stderr)
        // Whoever passes a worker's log on may have been killed: no reason to panic.
        .log_internal_errors(false)
        .compact()
        .init();
}

//! The real Bluetooth service in a guest, the emulated controller that its kernel has, and orders
//! to both. `real/guest` says what the machine needs.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::thread;
use std::time::Duration;

use settled::edge::clock::SessionClock;
use settled::units::time::Elapsed;
use tokio::task::block_in_place;

/// How long the guest may take until it takes orders, on a machine that does other work too.
const BOOT_MAX: Duration = Duration::from_secs(240);

/// A running guest, which ends with this value.
pub struct Guest {
    qemu: Child,
    radio: Child,
    /// To the hands inside, with the way back.
    orders: Mutex<(TcpStream, BufReader<TcpStream>)>,
    air: Mutex<std::process::ChildStdin>,
    /// For `DBUS_SYSTEM_BUS_ADDRESS`.
    pub address: String,
    _work: tempfile::TempDir,
}

impl Guest {
    /// Fetches what guests need; why not, where the machine cannot.
    pub fn prepare() -> Result<(), String> {
        let prepared =
            Command::new(script()).arg("prepare").env("CACHE", cache()).output().unwrap();
        let said = String::from_utf8_lossy(&prepared.stdout).into_owned();
        match prepared.status.code() {
            Some(0) => Ok(()),
            Some(77) => Err(said),
            _ => panic!("{said}{}", String::from_utf8_lossy(&prepared.stderr)),
        }
    }

    /// Boots a guest in which the service runs with an adapter. Its messages go to `NAME.log`.
    pub fn boot(name: &str) -> Self {
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        let (script, cache) = (script(), cache());
        let log_file = cache.join(name).with_extension("log");
        let mut radio = Command::new("python3")
            .arg(here.join("tests/bluetooth/real/radio.py"))
            .env("PYTHONPATH", cache.join("py"))
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut port = String::new();
        BufReader::new(radio.stdout.take().unwrap()).read_line(&mut port).unwrap();
        let air = Mutex::new(radio.stdin.take().unwrap());

        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let orders_port = listener.local_addr().unwrap().port();
        // Free a moment ago: the guest's network takes a number, not a socket.
        let bus_port = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap().port();
        let work = tempfile::tempdir().unwrap();
        let log = std::fs::File::create(&log_file).unwrap();
        let mut qemu = Command::new(&script)
            .arg("run")
            .arg(work.path())
            .args([port.trim(), &orders_port.to_string(), &bus_port.to_string()])
            .env("CACHE", &cache)
            .stdin(Stdio::null())
            .stderr(log.try_clone().unwrap())
            .stdout(log)
            .spawn()
            .unwrap();
        let hands = accept(&listener, &mut qemu).unwrap_or_else(|| {
            let log = std::fs::read(&log_file).unwrap_or_default();
            panic!("the guest takes no orders: {}", String::from_utf8_lossy(&log));
        });
        let back = BufReader::new(hands.try_clone().unwrap());
        let address = format!("tcp:host=127.0.0.1,port={bus_port}");
        let orders = Mutex::new((hands, back));
        let guest = Self { qemu, radio, orders, air, address, _work: work };
        for order in ["bus start", "adapter in", "service start"] {
            guest.order(order);
        }
        guest
    }

    /// Has the hands inside carry out an order of `real/hands.py`. Stand-ins beside go on meanwhile.
    pub fn order(&self, order: &str) {
        block_in_place(|| {
            let (out, back) = &mut *self.orders.lock().unwrap();
            writeln!(out, "{order}").unwrap();
            let mut answer = String::new();
            back.read_line(&mut answer).unwrap();
            assert_eq!(answer, "done\n", "{order}");
        });
    }

    /// Gives an order of `real/radio.py`.
    pub fn air(&self, order: &str) {
        writeln!(self.air.lock().unwrap(), "{order}").unwrap();
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        for child in [&mut self.qemu, &mut self.radio] {
            drop(child.kill());
            drop(child.wait());
        }
    }
}

fn script() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bluetooth/real/guest")
}

/// Where downloads are kept from one run to the next.
fn cache() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("bluetooth-real")
}

/// The first connection; none where the guest ends before.
fn accept(listener: &TcpListener, qemu: &mut Child) -> Option<TcpStream> {
    listener.set_nonblocking(true).unwrap();
    let clock = SessionClock::start(Elapsed::ZERO);
    while clock.elapsed().since(Elapsed::ZERO) < BOOT_MAX {
        if qemu.try_wait().unwrap().is_some() {
            return None;
        }
        if let Ok((stream, _)) = listener.accept() {
            stream.set_nonblocking(false).unwrap();
            stream.set_nodelay(true).unwrap();
            return Some(stream);
        }
        thread::sleep(Duration::from_millis(100));
    }
    None
}

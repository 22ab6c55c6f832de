//! The real mosquitto, on a free port, ended by its own process id.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// Where Debian and others put it; `PATH` is tried first.
const FALLBACK: &str = "/usr/sbin/mosquitto";

/// A running broker with a folder of its own.
pub struct Mosquitto {
    child: Child,
    pub port: u16,
    pub folder: Folder,
}

impl Mosquitto {
    /// A broker that lets everybody in.
    pub fn start() -> Mosquitto {
        Mosquitto::start_with(Folder::new(), "allow_anonymous true\n")
    }

    /// A broker with these lines of configuration for its one listener on a free port.
    pub fn start_with(folder: Folder, lines: &str) -> Mosquitto {
        Mosquitto::start_on(free_port(), folder, lines)
    }

    /// The same on a port that is known to be free.
    pub fn start_on(port: u16, folder: Folder, lines: &str) -> Mosquitto {
        let config = folder.path().join("mosquitto.conf");
        // As root it would change to a user who cannot read the folder.
        let nodelay = if lines.contains("set_tcp_nodelay") { "" } else { "set_tcp_nodelay true\n" };
        let common = format!("persistence false\nmax_queued_messages 0\nuser root\n{nodelay}");
        std::fs::write(&config, format!("{common}listener {port} 127.0.0.1\n{lines}")).unwrap();
        let spawn = |program: &str| {
            Command::new(program).arg("-c").arg(&config).stdout(Stdio::null()).stderr(Stdio::null()).spawn()
        };
        let child = spawn("mosquitto")
            .or_else(|_| spawn(FALLBACK))
            .expect("mosquitto is needed for this test; install it, such as by `apt-get install mosquitto`");
        let broker = Mosquitto { child, port, folder };
        broker.wait_until_it_listens();
        broker
    }

    /// The process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Sends it a signal by name, such as `STOP`.
    pub fn signal(&self, name: &str) {
        let done = Command::new("kill").args([&format!("-{name}"), &self.pid().to_string()]).status().unwrap();
        assert!(done.success());
    }

    /// Ends it at once and gives its folder back.
    pub fn kill(mut self) -> (u16, Folder) {
        self.end();
        (self.port, std::mem::replace(&mut self.folder, Folder(PathBuf::new())))
    }

    fn end(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    fn wait_until_it_listens(&self) {
        let give_up = Instant::now() + Duration::from_secs(10);
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < give_up, "mosquitto does not listen on port {}", self.port);
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.end();
    }
}

/// A folder that goes away with its owner.
pub struct Folder(PathBuf);

impl Folder {
    pub fn new() -> Folder {
        static COUNTER: AtomicU32 = AtomicU32::new(0);
        let name = format!("lampwarden-test-{}-{}", std::process::id(), COUNTER.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a file and tells its path.
    pub fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::File::create(&path).and_then(|mut file| file.write_all(text.as_bytes())).unwrap();
        path
    }
}

impl Default for Folder {
    fn default() -> Folder {
        Folder::new()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if !self.0.as_os_str().is_empty() {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }
}

/// A port that nobody listened on a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).unwrap().port()
}

/// Certificates for a broker on 127.0.0.1 and for a client, signed by an authority of their own; made by `openssl`.
pub fn certificates(folder: &Folder) {
    let script = r#"
        set -e
        key() { openssl ecparam -name prime256v1 -genkey -noout | openssl pkcs8 -topk8 -nocrypt -out "$1.key"; }
        key ca; key broker; key client
        openssl req -x509 -new -key ca.key -days 2 -subj /CN=garden-authority -out ca.crt
        printf 'subjectAltName=IP:127.0.0.1\nbasicConstraints=CA:FALSE\n' > broker.ext
        printf 'extendedKeyUsage=clientAuth\nbasicConstraints=CA:FALSE\n' > client.ext
        for who in broker client; do
            openssl req -new -key $who.key -subj /CN=$who -out $who.csr
            openssl x509 -req -in $who.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 2 -extfile $who.ext -out $who.crt
        done
    "#;
    let mut shell = Command::new("sh")
        .args(["-c", script])
        .current_dir(folder.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    shell.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(shell.wait().unwrap().success(), "openssl is needed for this test: {said}");
}

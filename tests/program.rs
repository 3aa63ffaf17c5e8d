//! The program as it is built.

#[test]
fn only_the_worker_loads_opencv() {
    let names_opencv = |program: &str| std::fs::read(program).unwrap().windows(10).any(|w| w == b"libopencv_");
    assert!(!names_opencv(env!("CARGO_BIN_EXE_dawnsheet")), "code of the main program refers to OpenCV; see build.rs");
    assert!(names_opencv(env!("CARGO_BIN_EXE_dawnsheet-worker")));
}

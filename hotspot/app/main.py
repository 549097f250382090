"""The script that Streamlit runs for each page: who is here, which job, which page."""

from __future__ import annotations

import streamlit as st

from hotspot.app import shell
from hotspot.errors import HotspotError


def main() -> None:
    """Show the page."""
    st.set_page_config(page_title="hotspot bench", page_icon="🌡", layout="wide")
    st.html(shell.STYLE)
    try:
        file = shell.current_file()
    except HotspotError as err:
        st.error(err.sentence)
        file = None
    pages = shell.pages(file)
    chosen = st.navigation(list(pages.values()), position="top")
    shell.note_job(file)
    chosen.run()


main()

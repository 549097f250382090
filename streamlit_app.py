"""The bench app; `streamlit run streamlit_app.py` or `hotspot bench`."""

import streamlit as st

from hotspot.app.server import SCRIPT, middleware, routes

app = st.App(SCRIPT, routes=routes(), middleware=middleware())
